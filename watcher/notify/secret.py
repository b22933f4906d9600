"""A text that must never be shown: a token, a password, an address that is a secret itself."""

from __future__ import annotations

from typing import NoReturn

HIDDEN = "(hidden)"


class Secret:
    """Holds a text that shows itself only when asked by name.

    Printing, formatting, logging and comparing for a test failure all show ``(hidden)``. It cannot
    be pickled, so it does not end up in a file or a dump by accident.
    """

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        """Take the text, blanks and newlines at its ends dropped."""
        self._text = text.strip()

    def reveal(self) -> str:
        """Give the text. Only the place that hands it to its receiver may call this."""
        return self._text

    def __bool__(self) -> bool:
        """Tell whether there is any text."""
        return bool(self._text)

    def __eq__(self, other: object) -> bool:
        """Compare by text."""
        return isinstance(other, Secret) and other._text == self._text

    def __hash__(self) -> int:
        """Hash by text."""
        return hash(self._text)

    def __repr__(self) -> str:
        """Show nothing."""
        return HIDDEN

    __str__ = __repr__

    def __format__(self, spec: str) -> str:
        """Show nothing, in any width."""
        return format(HIDDEN, spec)

    def __reduce__(self) -> NoReturn:
        """Refuse to be pickled."""
        raise TypeError("a secret is not written down")
