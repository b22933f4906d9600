"""A machine that is not here: answers that were recorded, and the recording of them.

``RecordedHost`` replays programs and files of a saved box, a capture or a test. What was not
recorded is not there: an unknown program is MISSING and an unknown file is not found, so that a
reader turns it into a blind spot and never into an empty, fine answer.

``RecordingHost`` stands before another host and keeps all that passes.
"""

from __future__ import annotations

import errno
import os
import posixpath
from collections.abc import Iterable, Mapping, Sequence

from watcher.readers.host import Ended, Host, Ran

Answer = Ran | tuple[int, str, str]
"""A whole answer, or exit status, standard output and standard error of a program that ended."""

_LINK_DEPTH = 40
"""As many links as Linux follows (path_resolution(7))."""


class RecordedHost:
    """Replays a mapping of argument lists and one of paths."""

    def __init__(
        self,
        *,
        programs: Mapping[tuple[str, ...], Answer] | None = None,
        files: Mapping[str, str] | None = None,
        links: Mapping[str, str] | None = None,
        folders: Mapping[str, Iterable[str]] | None = None,
        denied: Iterable[str] = (),
        failing: Mapping[str, int] | None = None,
    ) -> None:
        """Take what was recorded.

        ``links`` gives each link its target (relative ones are joined to the link's folder).
        ``folders`` is needed for empty folders only: others follow from files and links.
        ``denied`` names paths that may not be read, ``failing`` those that end in another error,
        with its number (errno).
        """
        self._programs = dict(programs or {})
        self._links = {
            posixpath.normpath(path): posixpath.normpath(
                posixpath.join(posixpath.dirname(path), target)
            )
            for path, target in (links or {}).items()
        }
        self._files = {self._follow(path): text for path, text in (files or {}).items()}
        self._denied = frozenset(self._follow(path) for path in denied)
        self._failing = {self._follow(path): number for path, number in (failing or {}).items()}
        self._folders: dict[str, set[str]] = {}
        for path, names in (folders or {}).items():
            self._folders.setdefault(self._follow(path), set()).update(names)
        for path in (
            *self._files,
            *self._links,
            *self._denied,
            *self._failing,
            *tuple(self._folders),
        ):
            self._enter(path)

    def _enter(self, path: str) -> None:
        """Make a path's folders known, up to the root."""
        while path not in {"/", ""}:
            above, name = posixpath.split(path)
            self._folders.setdefault(above or "/", set()).add(name)
            path = above

    def run(
        self, argv: Sequence[str], *, limit_seconds: float = 30.0, lane: str | None = None
    ) -> Ran:
        """Give the recorded answer; MISSING when there is none."""
        del limit_seconds, lane
        arguments = tuple(argv)
        answer = self._programs.get(arguments)
        if answer is None:
            words = "not in this recording: " + " ".join(arguments)
            return Ran(argv=arguments, ended=Ended.MISSING, stderr=words)
        if isinstance(answer, Ran):
            return answer
        status, stdout, stderr = answer
        return Ran(argv=arguments, ended=Ended.EXITED, status=status, stdout=stdout, stderr=stderr)

    def _follow(self, path: str) -> str:
        """Follow links in every part of a path."""
        path = posixpath.normpath(path)
        for _ in range(_LINK_DEPTH):
            parts = path.split("/")
            for end in range(1, len(parts) + 1):
                front = "/".join(parts[:end])
                if front in self._links:
                    path = posixpath.normpath("/".join([self._links[front], *parts[end:]]))
                    break
            else:
                return path
        return path

    def _refuse(self, place: str, path: str) -> None:
        """Raise the error that was recorded for a place."""
        if place in self._denied:
            raise PermissionError(errno.EACCES, "Permission denied", path)
        if place in self._failing:
            number = self._failing[place]
            raise OSError(number, os.strerror(number), path)

    def read_text(self, path: str) -> str:
        """Give a recorded file; raises FileNotFoundError or another OSError as on the box."""
        place = self._follow(path)
        self._refuse(place, path)
        if place in self._files:
            return self._files[place]
        if place in self._folders:
            raise IsADirectoryError(21, "Is a directory", path)
        raise FileNotFoundError(2, "No such file or directory", path)

    def list_dir(self, path: str) -> tuple[str, ...]:
        """Name what is recorded in a folder."""
        place = self._follow(path)
        self._refuse(place, path)
        if place in self._folders:
            return tuple(sorted(self._folders[place]))
        if place in self._files:
            raise NotADirectoryError(20, "Not a directory", path)
        raise FileNotFoundError(2, "No such file or directory", path)

    def real_path(self, path: str) -> str:
        """Follow recorded links."""
        return self._follow(path)

    def exists(self, path: str) -> bool:
        """Tell whether a path was recorded."""
        place = self._follow(path)
        if any(place in known for known in (self._files, self._folders, self._denied)):
            return True
        above, name = posixpath.split(place)
        return name in self._folders.get(above, ())


class RecordingHost:
    """Passes everything on to another host and keeps what it answered.

    Not made for threads that ask the same thing at the same time: the last answer is kept.
    """

    def __init__(self, host: Host) -> None:
        """Stand before a host."""
        self._host = host
        self.programs: dict[tuple[str, ...], Ran] = {}
        self.files: dict[str, str] = {}
        self.links: dict[str, str] = {}
        self.folders: dict[str, tuple[str, ...]] = {}
        self.denied: set[str] = set()
        self.failing: dict[str, int] = {}

    def run(
        self, argv: Sequence[str], *, limit_seconds: float = 30.0, lane: str | None = None
    ) -> Ran:
        """Run and keep."""
        ran = self._host.run(argv, limit_seconds=limit_seconds, lane=lane)
        self.programs[tuple(argv)] = ran
        return ran

    def _note(self, path: str, error: OSError) -> None:
        """Keep why something could not be read; what is not there needs no note."""
        if isinstance(error, PermissionError):
            self.denied.add(path)
        elif not isinstance(error, FileNotFoundError | NotADirectoryError | IsADirectoryError):
            self.failing[path] = error.errno or errno.EIO

    def read_text(self, path: str) -> str:
        """Read and keep; a refusal is kept too."""
        try:
            text = self._host.read_text(path)
        except OSError as error:
            self._note(path, error)
            raise
        self.files[path] = text
        return text

    def list_dir(self, path: str) -> tuple[str, ...]:
        """List and keep; a refusal is kept too."""
        try:
            names = self._host.list_dir(path)
        except OSError as error:
            self._note(path, error)
            raise
        self.folders[path] = names
        return names

    def real_path(self, path: str) -> str:
        """Follow and keep."""
        target = self._host.real_path(path)
        if target != path:
            self.links[path] = target
        return target

    def exists(self, path: str) -> bool:
        """Look and keep: what is there and was not read otherwise becomes an empty folder entry."""
        there = self._host.exists(path)
        if there and path not in self.files and path not in self.folders:
            self.folders.setdefault(posixpath.dirname(path), ())
            self.folders[posixpath.dirname(path)] = tuple(
                sorted({*self.folders[posixpath.dirname(path)], posixpath.basename(path)})
            )
        return there

    def replay(self) -> RecordedHost:
        """Give a host that answers as this one was answered."""
        return RecordedHost(
            programs=dict(self.programs),
            files=self.files,
            links=self.links,
            folders=self.folders,
            denied=self.denied,
            failing=self.failing,
        )
