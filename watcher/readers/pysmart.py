"""pySMART (1.4), imported without the library that only its own runner needs.

Its runner guesses the encoding of what smartctl printed with chardet, which takes 5 MiB to import.
We run smartctl ourselves and never call that, so a module stands in chardet's place that imports
it when something of it is first used (PEP 562). ``importlib.util.LazyLoader`` would not do: up to
Python 3.11 the ``import`` statement itself counts as the first use.
"""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
from typing import Any


def import_when_used(name: str) -> None:
    """Let a module be imported by the first use of something in it, not by ``import``."""
    if name in sys.modules:
        return
    stand_in = ModuleType(name)

    def first_use(attribute: str) -> Any:  # noqa: ANN401 - whatever the module has
        if sys.modules.get(name) is stand_in:
            del sys.modules[name]
        return getattr(importlib.import_module(name), attribute)

    stand_in.__getattr__ = first_use  # type: ignore[method-assign]
    sys.modules[name] = stand_in


import_when_used("chardet")

from pySMART import Device, DeviceList  # noqa: E402 - after chardet was put in its place
from pySMART.smartctl import Smartctl  # noqa: E402

__all__ = ["Device", "DeviceList", "Smartctl", "import_when_used"]
