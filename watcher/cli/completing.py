"""What a shell offers while a command is typed: bash, zsh and fish, with click's scripts for them.

Two of them are put right here. Fish got what it is offered only up to its first comma, and bash
put a name with a blank into the line as two words.
"""

from __future__ import annotations

import os
import re

from click.shell_completion import (
    BashComplete,
    CompletionItem,
    FishComplete,
    add_completion_class,
)


class _Fish(FishComplete):
    """Fish, with all that stands behind the first comma."""

    source_template = FishComplete.source_template.replace(
        'string split ","', 'string split --max 1 ","'
    )


class _Bash(BashComplete):
    """Bash, with what it would take apart quoted, unless the person has begun with a quote."""

    def format_completion(self, item: CompletionItem) -> str:
        """Give one thing that is offered, as the script reads it."""
        typed = os.environ.get("COMP_WORDS", "").splitlines()
        value = str(item.value)
        if item.type == "plain" and not (typed and typed[-1][:1] in {'"', "'"}):
            value = re.sub(r"([^\w@%+=:,./-])", r"\\\1", value)
        return f"{item.type},{value}"


def prepare_shells() -> None:
    """Let click take these in the place of its own."""
    add_completion_class(_Fish)
    add_completion_class(_Bash)
