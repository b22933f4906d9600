import pytest

from watcher.service.our_fault import MOST_WORDS, name_fault


def break_something() -> None:
    raise ZeroDivisionError("oops " * MOST_WORDS)


def test_a_fault_is_named_by_its_kind_its_words_and_its_place() -> None:
    with pytest.raises(ZeroDivisionError) as raised:
        break_something()
    said = name_fault(raised.value)
    assert said.startswith("ZeroDivisionError: oops oops")
    assert said.endswith(", test_our_fault.py:7")
    assert len(said) < MOST_WORDS + 60
