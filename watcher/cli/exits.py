"""The exit statuses of the command, and the error that carries one. README.md lists them."""

from __future__ import annotations

from enum import IntEnum

from watcher.service.bus_error import NO_GROUND


class Exit(IntEnum):
    """What the exit status of ``midwatch`` says."""

    DONE = 0
    WRONG_WORDS = 2
    FAULTY_SETTINGS = 3
    NO_STATE = NO_GROUND
    REFUSED = 5
    NOT_FOUND = 6
    ACT = 10
    BLIND = 11
    OUR_FAULT = 70
    STOPPED = 130  # as shells say it of what Ctrl-C ended


MEANING = {
    Exit.DONE: "done; for look: everything was seen and nothing needs you",
    Exit.WRONG_WORDS: "wrong words on the command line",
    Exit.FAULTY_SETTINGS: "the configuration has faults; all of them are listed",
    Exit.NO_STATE: "the state folder or its database cannot be used",
    Exit.REFUSED: "what you asked for cannot be done; the reason is printed",
    Exit.NOT_FOUND: "what you named is not known here: a case, a drive, a pool, a rule, a box …",
    Exit.ACT: "look: somebody must act, this week or sooner",
    Exit.BLIND: "look: nothing needs you as far as can be seen, but something cannot be seen",
    Exit.OUR_FAULT: "a fault in midwatch itself; please report it",
    Exit.STOPPED: "stopped with Ctrl-C before it was done",
}


class Stop(Exception):
    """End the command with one sentence for the person and a status."""

    def __init__(self, sentence: str, status: Exit) -> None:
        """Keep the sentence and the status."""
        self.sentence = sentence
        self.status = status
        super().__init__(sentence)


class Leave(Exception):
    """End the process at once, with a status: all is written, and a thread of it hangs for good.

    So it is when a look at a drive does not come back, or found no memory to begin a thread with:
    the interpreter would wait for it.
    """

    def __init__(self, status: Exit) -> None:
        """Keep the status."""
        self.status = status
        super().__init__(f"status {status.value}")
