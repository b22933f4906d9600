from watcher.store.part import Part
from watcher.store.transaction import Transaction


def test_no_part_hides_a_method_of_another() -> None:
    """The parts are put together into one; a name that two of them use would lose one silently."""
    seen: dict[str, str] = {}
    shared = set(vars(Part))
    for part in Transaction.__mro__:
        if part in {Transaction, Part, object}:
            continue
        for name in set(vars(part)) - shared:
            if name.startswith("__"):
                continue
            assert name not in seen, f"{name} is in {seen[name]} and in {part.__name__}"
            seen[name] = part.__name__


def test_every_public_question_says_what_it_promises() -> None:
    for name in dir(Transaction):
        if not name.startswith("_"):
            words = getattr(Transaction, name).__doc__ if name != "db" else Part.db.__doc__
            assert words, name
