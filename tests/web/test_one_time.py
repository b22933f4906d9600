"""One-time codes against the test values of RFC 6238 (appendix B) and RFC 4226 (appendix D)."""

import base64
import hashlib
from datetime import UTC, datetime
from urllib.parse import parse_qs, urlsplit

import pytest

from watcher.web.one_time import (
    KEY_BYTES,
    address_of,
    code_at,
    fingerprint,
    new_key,
    step_at,
    step_of,
    unpack,
)

SHA1 = b"12345678901234567890"
SHA256 = b"12345678901234567890123456789012"
SHA512 = b"1234567890123456789012345678901234567890123456789012345678901234"


@pytest.mark.parametrize(
    ("seconds", "sha1", "sha256", "sha512"),
    [
        (59, "94287082", "46119246", "90693936"),
        (1111111109, "07081804", "68084774", "25091201"),
        (1111111111, "14050471", "67062674", "99943326"),
        (1234567890, "89005924", "91819424", "93441116"),
        (2000000000, "69279037", "90698825", "38618901"),
        (20000000000, "65353130", "77737706", "47863826"),
    ],
)
def test_codes_are_those_of_rfc_6238(seconds: int, sha1: str, sha256: str, sha512: str) -> None:
    step = step_at(datetime.fromtimestamp(seconds, UTC))
    assert code_at(SHA1, step, digits=8) == sha1
    assert code_at(SHA256, step, digits=8, algorithm="sha256") == sha256
    assert code_at(SHA512, step, digits=8, algorithm="sha512") == sha512


def test_codes_of_six_digits_are_those_of_rfc_4226() -> None:
    wanted = [
        "755224",
        "287082",
        "359152",
        "969429",
        "338314",
        "254676",
        "287922",
        "162583",
        "399871",
        "520489",
    ]
    assert [code_at(SHA1, count) for count in range(10)] == wanted


KEY = base64.b32encode(SHA1).decode()
AT = datetime(2026, 3, 8, 3, 12, 15, tzinfo=UTC)


@pytest.mark.parametrize("steps", [-1, 0, 1])
def test_a_code_is_good_for_its_step_and_the_one_on_either_side(steps: int) -> None:
    code = code_at(SHA1, step_at(AT) + steps)
    assert step_of(code, KEY, AT) == step_at(AT) + steps


@pytest.mark.parametrize("steps", [-2, 2, 100])
def test_a_code_of_another_time_is_wrong(steps: int) -> None:
    assert step_of(code_at(SHA1, step_at(AT) + steps), KEY, AT) is None


@pytest.mark.parametrize("code", ["", "12345", "1234567", "abcdef", "١٢٣٤٥٦", "12 34 5"])
def test_what_is_no_code_is_wrong(code: str) -> None:
    assert step_of(code, KEY, AT) is None


def test_a_code_may_be_typed_with_a_blank_in_it() -> None:
    code = code_at(SHA1, step_at(AT))
    assert step_of(f"{code[:3]} {code[3:]}", KEY, AT) == step_at(AT)


def test_a_new_key_has_the_length_that_rfc_4226_asks_for() -> None:
    assert len(unpack(new_key())) == KEY_BYTES == 20
    assert new_key() != new_key()
    with pytest.raises(ValueError, match="not a key"):
        unpack("1!")


def test_the_address_carries_key_and_names() -> None:
    parts = urlsplit(address_of(KEY, "ada", "attic box"))
    assert (parts.scheme, parts.netloc) == ("otpauth", "totp")
    assert parse_qs(parts.query) == {"secret": [KEY], "issuer": ["midwatch attic box"]}


def test_a_fingerprint_is_sha_256() -> None:
    """FIPS 180-4, the example “abc”."""
    assert fingerprint("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert fingerprint("abc") == hashlib.sha256(b"abc").hexdigest()
