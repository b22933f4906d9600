"""The rules of the house, held by machine."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.house.drawing import BEGIN, END, draw
from tests.house.numbers import bare_numbers
from watcher.cli.exits import MEANING, Exit
from watcher.cli.main import COMMANDS
from watcher.rules.catalogue import CATALOGUE
from watcher.service.disk_proof import PROOF_SECONDS

ROOT = Path(__file__).resolve().parents[2]

ALLOWED_AT_TOP = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "watcher",
    "config",
    "systemd",
    "tests",
}

WITHOUT_A_TEST_OF_THEIR_OWN = {
    "watcher/cases/effects.py": "records without behaviour, held by tests/cases/test_decide.py",
    "watcher/cases/observations.py": "records without behaviour, held by test_decide.py",
    "watcher/cases/draft.py": "held by every test of the case side",
    "watcher/cli/__main__.py": "three lines, used by tests/lab/daemon.py",
    "watcher/readers/host.py": "a protocol; its function is held by tests/readers/test_runner.py",
    "watcher/readers/taken.py": "a record, held by tests/readers/test_survey.py",
    "watcher/readers/errors.py": "records without behaviour, held by every reader's tests",
    "watcher/notify/message_facts.py": "records, held by tests/notify/test_messages.py",
}


def tracked() -> list[str]:
    if not (ROOT / ".git").exists() or shutil.which("git") is None:
        pytest.skip("needs git and a checkout to know which files there are")
    done = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True, timeout=60
    )
    return [name for name in done.stdout.splitlines() if (ROOT / name).exists()]


def test_the_top_level_holds_what_was_laid_down_and_no_more() -> None:
    tops = {name.split("/", 1)[0] for name in tracked()}
    assert {top for top in tops if not top.startswith(".")} <= ALLOWED_AT_TOP


def test_every_module_has_a_test_in_the_same_place() -> None:
    names = set(tracked())
    lacking = []
    for name in sorted(names):
        if not name.startswith("watcher/") or not name.endswith(".py"):
            continue
        path = Path(name)
        if path.name == "__init__.py" or name in WITHOUT_A_TEST_OF_THEIR_OWN:
            continue
        wanted = Path("tests", *path.parts[1:-1], f"test_{path.name}").as_posix()
        if wanted not in names:
            lacking.append(name)
    assert lacking == []


def test_no_exception_from_the_mirror_has_outlived_its_module() -> None:
    assert [name for name in WITHOUT_A_TEST_OF_THEIR_OWN if not (ROOT / name).exists()] == []


def test_the_readme_lists_every_exit_status_with_its_meaning() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"^\| (\d+) \| (.+) \|$", text, re.MULTILINE))
    assert rows == {str(int(status)): MEANING[status] for status in Exit}


def test_the_readme_knows_every_command() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [name for name in COMMANDS if f"midwatch {name}" not in text] == []


def test_every_threshold_has_a_unit_and_a_source() -> None:
    bare = [
        (rule.name, threshold.name)
        for rule in CATALOGUE.values()
        for threshold in rule.thresholds
        if not threshold.unit.strip() or len(threshold.source) < 8
    ]
    assert bare == []


CORE = ("facts", "rules", "exposure", "recovery", "cases")


def test_every_number_of_the_core_says_what_it_is() -> None:
    bare = [
        (name, constant)
        for name in tracked()
        if name.endswith(".py") and name.startswith(tuple(f"watcher/{part}/" for part in CORE))
        for constant in bare_numbers((ROOT / name).read_text(encoding="utf-8"))
    ]
    assert bare == []


@pytest.mark.parametrize(
    ("source", "bare"),
    [
        ("DAYS = 3\n", ["DAYS"]),
        ("DAYS: Final = timedelta(days=3)\n\n\n_MOST = 2 * 10**3\n", ["DAYS", "_MOST"]),
        ('DAYS = 3\nHOURS = 2\n"""Our choice."""\n', []),
        ("# our choice\nDAYS = 3\n", []),
        ("DAYS = 3  # our choice\nHOURS = 2\n", ["HOURS"]),
        ('DAYS = 3\n\n"""Something else."""\n', ["DAYS"]),
        ('NONE = timedelta(0)\nNAME = "x"\nIS_ON = True\ndays = 3\n', []),
    ],
)
def test_a_number_of_which_nothing_is_told_is_found(source: str, bare: list[str]) -> None:
    assert list(bare_numbers(source)) == bare


INSTEAD = {
    "incident": "case",
    "alarm": "message, finding",
    "snooze": "silence",
    "mute": "silence, hush",
    "severity": "urgency",
    "dashboard": "overview",
    "healthy": "no sign, whole",
}
"""Words for which the glossary has one of its own, or none at all."""

BY_A_STANDARD = {
    "watcher/readers/kernel_prefix.py": "severity",  # RFC 5424, section 6.2.1
    "watcher/demo/box.py": "severity",  # a key of smartctl's JSON
}


def words_for_people(name: str, text: str) -> Iterator[str]:
    """Give what people read of a file, and the names that a module gives to things of its own."""
    if not name.endswith(".py"):
        yield text
        return
    tree = ast.parse(text)
    told = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}  # docstrings
    for node in ast.walk(tree):
        match node:
            case ast.Constant(value=str() as words) if id(node) not in told:
                yield words
            case ast.ClassDef(name=own) | ast.FunctionDef(name=own):
                yield re.sub(r"(?<=[a-z])(?=[A-Z])|_", " ", own)


def test_each_thing_has_the_name_that_the_glossary_gives_it() -> None:
    other = re.compile(rf"\b({'|'.join(INSTEAD)})s?\b", re.IGNORECASE)
    found = [
        (name, word.lower())
        for name in tracked()
        if re.fullmatch(r"README\.md|config/.*|watcher/.*\.(py|html|css|js)", name)
        for words in words_for_people(name, (ROOT / name).read_text(encoding="utf-8"))
        for word in other.findall(words)
        if BY_A_STANDARD.get(name) != word.lower()
    ]
    assert found == []


def test_rule_names_say_what_happened_in_kebab_case() -> None:
    assert [n for n in CATALOGUE if not re.fullmatch(r"[a-z]+(-[a-z]+)+", n)] == []


# Written in pieces, so that this file does not hold what it looks for.
UNWANTED = ("tran" + "script", "TO" + "DO", "FIX" + "ME", "NotImplemented" + "Error", "xf" + "ail(")


def test_nothing_unfinished_and_nothing_foreign_is_left_lying_about() -> None:
    found = []
    for name in tracked():
        if not name.endswith((".py", ".md", ".sh", ".yaml", ".toml", ".sql", ".html", ".service")):
            continue
        text = (ROOT / name).read_text(encoding="utf-8")
        found += [(name, word) for word in UNWANTED if word in text]
        found += [(name, "a path of one machine")] if f"{ROOT}/" in text else []
    assert found == []


@pytest.mark.parametrize("script", ["systemd/start.sh", "systemd/ready.sh", "systemd/install.sh"])
def test_scripts_are_sound_shell(script: str) -> None:
    subprocess.run(["bash", "-n", ROOT / script], check=True, timeout=30)


def test_the_dry_run_of_the_installer_changes_nothing_and_names_every_place() -> None:
    done = subprocess.run(
        ["bash", ROOT / "systemd/install.sh", "--dry-run"],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    for place in ("/opt/midwatch", "/etc/midwatch", "/var/lib/midwatch", "midwatch.service"):
        assert place in done.stdout
    assert not Path("/opt/midwatch").exists() or "would run" in done.stdout


def test_the_installer_can_put_the_two_halves_in_the_place_of_the_one() -> None:
    done = subprocess.run(
        ["bash", ROOT / "systemd/install.sh", "--dry-run", "--halves"],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    for word in ("useradd --system", "midwatch-reader.service", "midwatch-desk.service", "chown"):
        assert word in done.stdout
    assert "systemd/midwatch.service" not in done.stdout


@pytest.mark.parametrize(
    ("unit", "most"), [("midwatch-reader", 1.5), ("midwatch-desk", 1.5), ("midwatch", 2.5)]
)
def test_each_unit_is_shut_in(unit: str, most: float) -> None:
    """At most so much of 10 by ``systemd-analyze security`` (measured with systemd 252).

    The one service has both drives and network, so that it cannot come to what a half comes to.
    """
    if shutil.which("systemd-analyze") is None:
        pytest.skip("needs systemd-analyze")
    done = subprocess.run(
        [
            *("systemd-analyze", "security", "--offline=true", "--no-pager"),
            f"--threshold={most * 10:.0f}",
            ROOT / f"systemd/{unit}.service",
        ],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    if "nrecognized option" in done.stderr or "ffline" in done.stderr:
        pytest.skip("this systemd-analyze cannot judge a file")
    level = re.search(r"Overall exposure level for \S+: ([\d.]+)", done.stdout)
    assert level is not None, done.stdout + done.stderr
    assert float(level[1]) <= most
    assert done.returncode == 0


@pytest.mark.parametrize("unit", ["midwatch-reader", "midwatch-desk", "midwatch"])
def test_a_unit_is_never_given_up(unit: str) -> None:
    """Whatever keeps it from starting, when that is over it starts: nobody else tells a person.

    By itself systemd gives a unit up that ended five times in ten seconds (systemd.unit(5)).
    """
    text = (ROOT / f"systemd/{unit}.service").read_text(encoding="utf-8")
    head, _, rest = text.partition("[Service]")
    assert "\nStartLimitIntervalSec=0\n" in head
    assert re.search(r"^Restart=(always|on-failure)$", rest, re.MULTILINE)
    assert "RestartPreventExitStatus" not in rest
    assert "\nStateDirectory=" not in text, "it would wait for the mount of that folder, for ever"
    limit = re.search(r"^TimeoutStartSec=(\d+)$", rest, re.MULTILINE)
    assert limit is not None
    assert int(limit[1]) > PROOF_SECONDS


def test_the_half_that_looks_has_no_network_and_the_one_that_tells_no_drives() -> None:
    texts = {
        half: (ROOT / f"systemd/midwatch-{half}.service").read_text(encoding="utf-8")
        for half in ("reader", "desk")
    }
    for line in ("PrivateNetwork=yes", "RestrictAddressFamilies=AF_UNIX", "IPAddressDeny=any"):
        assert f"\n{line}\n" in texts["reader"]
    for line in ("PrivateDevices=yes", "CapabilityBoundingSet=", "User=midwatch"):
        assert f"\n{line}\n" in texts["desk"]
    assert "\nDeviceAllow=" not in texts["desk"]


MODULE_OF = {
    "block-sd": "sd_mod",
    "char-sg": "sg",
    "char-nvme": "nvme",
    "block-device-mapper": "dm_mod",
    "block-md": "md_mod",
}
"""The kernel's module behind each kind of device that usually comes as one."""


@pytest.mark.parametrize("unit", ["midwatch", "midwatch-reader"])
def test_a_kind_of_device_is_known_to_the_kernel_before_the_unit_lets_it_in(unit: str) -> None:
    """Otherwise a unit that starts before the drives came up stays blind to them until it ends.

    Seen in a guest that was started anew: every SATA drive was refused, and stayed so.
    """
    text = (ROOT / f"systemd/{unit}.service").read_text(encoding="utf-8")
    asked = {
        word: " ".join(re.findall(rf"^{word}=(.*)$", text, re.MULTILINE)).split()
        for word in ("After", "Wants")
    }
    for kind, module in MODULE_OF.items():
        assert f"\nDeviceAllow={kind} " in text
        for words in asked.values():
            assert f"modprobe@{module}.service" in words


def test_systemd_finds_nothing_odd_in_the_unit(tmp_path: Path) -> None:
    """``systemd-analyze verify`` prints nothing; misspelt keys alone do not change its status."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("needs systemd-analyze")
    for unit in sorted((ROOT / "systemd").glob("*.service")):
        text = unit.read_text(encoding="utf-8")
        stand_in = tmp_path / unit.name
        stand_in.write_text(
            text.replace("=/opt/midwatch/bin/midwatch ", "=/bin/true "),
            encoding="utf-8",
        )
        done = subprocess.run(
            ["systemd-analyze", "verify", stand_in],
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )
        assert (done.stdout + done.stderr).strip() == ""


def test_the_drawing_of_the_steps_is_that_of_the_table() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert text.partition(BEGIN)[2].partition(END)[0].strip() == draw()


def test_every_file_of_the_package_is_in_its_wheel() -> None:
    """What no pattern of ``package-data`` names is left out, and missed only once installed."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    endings = {Path(p).suffix for p in project["tool"]["setuptools"]["package-data"]["watcher"]}
    left_out = [
        str(path.relative_to(ROOT))
        for path in (ROOT / "watcher").rglob("*")
        if path.is_file() and path.suffix not in endings | {".py", ".pyc"}
    ]
    assert left_out == []
