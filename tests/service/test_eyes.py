"""How the box is looked at follows the settings, and a desk without eyes loads no reader."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime

from tests.lab.daemon import ROOT
from watcher.service.eyes import bell_here, surveyor_here, to_looking
from watcher.service.settings_ready import CopySettings, IrreplaceableSettings
from watcher.service.settings_shape import Config, DriveSettings, KernelLogSettings, PoolSettings


def test_all_that_the_owner_declares_is_looked_at() -> None:
    config = Config(
        box_name="attic",
        drives=(DriveSettings(serial="A1", bay="3"),),
        pools=(PoolSettings(name="orchard", drives=("A1",), may_lose=0),),
        irreplaceable=(
            IrreplaceableSettings(
                name="photos",
                paths=("/srv/photos",),
                copies=(CopySettings(name="stick", marker_file="/srv/stamp"),),
            ),
        ),
    )
    looking = to_looking(config)
    assert looking.box == "attic"
    assert [drive.bay for drive in looking.told] == ["3"]
    assert [pool.name for pool in looking.declared] == ["orchard"]
    assert [thing.name for thing in looking.irreplaceable] == ["photos"]
    assert surveyor_here(config).looking == looking


def test_without_a_kernel_log_there_is_no_bell() -> None:
    config = Config(box_name="attic", kernel_log=KernelLogSettings(source="none"))
    assert bell_here(config, datetime(2026, 3, 2, tzinfo=UTC)) is None


def test_a_desk_that_looks_through_a_reader_loads_none_itself() -> None:
    """Twenty mebibytes that it need not hold; and no page and no sender either."""
    script = (
        "import sys, watcher.cli.watch\n"
        "heavy = ('pySMART', 'apprise', 'starlette', 'uvicorn', 'jinja2', 'watcher.web',"
        " 'watcher.readers.survey', 'watcher.readers.discovery')\n"
        "print([name for name in heavy if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert done.stdout.strip() == "[]"
