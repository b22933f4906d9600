"""Passwords. scrypt itself is checked against RFC 7914, section 12."""

import base64
import hashlib

import pytest

from watcher.web.passwords import LONGEST, NOBODY, SHORTEST, fault_of, is_right, make_check


def test_the_function_below_is_that_of_rfc_7914() -> None:
    """Section 12, third vector: the same N and r as ours."""
    made = hashlib.scrypt(
        b"pleaseletmein", salt=b"SodiumChloride", n=16384, r=8, p=1, dklen=64, maxmem=2**26
    )
    assert made.hex().startswith("7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2")


def test_a_check_is_made_of_that_function_over_password_and_salt() -> None:
    salt = b"0123456789abcdef"
    made = hashlib.scrypt(b"lamp orchard", salt=salt, n=16384, r=8, p=5, dklen=32, maxmem=2**26)
    assert make_check("lamp orchard", salt).split("$")[-1] == base64.b64encode(made).decode()


def test_only_the_same_password_fits_and_two_checks_of_it_differ() -> None:
    one, two = make_check("lamp orchard seven"), make_check("lamp orchard seven")
    assert one != two
    assert is_right("lamp orchard seven", one)
    assert is_right("lamp orchard seven", two)
    assert not is_right("lamp orchard sevem", one)
    assert "lamp" not in one


def test_nobody_s_check_costs_the_same_work_and_fits_nothing() -> None:
    assert NOBODY.split("$")[:4] == make_check("x", b"s" * 16).split("$")[:4]
    assert not is_right("", NOBODY)


@pytest.mark.parametrize(
    "check",
    [
        "",
        "scrypt$1",
        "scrypt$a$8$5$AA==$AA==",
        "other$16384$8$5$AA==$AA==",
        "scrypt$3$8$5$AA==$AA==",
    ],
)
def test_a_check_that_cannot_be_read_fits_nothing(check: str) -> None:
    assert not is_right("x", check)


def test_a_password_without_end_is_not_even_tried() -> None:
    assert not is_right("x" * (LONGEST + 1), "scrypt$16384$8$5$AA==$AA==")


def test_a_new_password_is_long_enough_and_not_the_name() -> None:
    assert fault_of("x" * (SHORTEST - 1), "ada")
    assert fault_of("x" * SHORTEST, "ada")
    assert fault_of("my name is ADA, really", "ada")
    assert fault_of("lamp orchard " * 30, "bob")
    assert fault_of("lamp orchard seven kettle", "ada") == ""
