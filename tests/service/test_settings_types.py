import pytest
from pydantic import TypeAdapter, ValidationError

from watcher.service.settings_types import Folder, Line, Section, Whole


def test_a_whole_number_is_plain_digits() -> None:
    read = TypeAdapter(Whole).validate_python
    assert read("30") == 30
    for text in ("1_000", "1e3", "3.0", "٣"):
        with pytest.raises(ValidationError):
            read(text)


def test_a_folder_is_a_full_path_and_a_line_is_one_line() -> None:
    with pytest.raises(ValidationError, match="begins with /"):
        TypeAdapter(Folder).validate_python("photos")
    with pytest.raises(ValidationError):
        TypeAdapter(Line).validate_python("a\nb")


def test_an_unknown_key_is_an_error_and_an_empty_one_was_not_given() -> None:
    class Small(Section):
        count: Whole = 3

    assert Small.model_validate({"count": None}).count == 3
    with pytest.raises(ValidationError):
        Small.model_validate({"cuont": "4"})
