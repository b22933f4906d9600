"""Every kind of event has its words."""

from __future__ import annotations

import itertools

from watcher.readers.kernel_lines import arrays, ata, devices, filesystems, scsi
from watcher.readers.kernel_texts import NO_TEXT, TEXTS

SET_BY_CODE = {
    # given by the report of a port, or by the setting
    "after-resume",
    "at-start",
    "host-bus-error",
    "link-changed",
    "port-exception",
    "protocol-error",
}


def test_every_kind_of_event_has_words_and_no_words_are_left_over() -> None:
    tables = (
        arrays.ROWS,
        devices.ROWS,
        filesystems.ROWS,
        ata.STEPS,
        scsi.SENSE,
        scsi.NUMBERS,
        scsi.KEYS,
        scsi.RESULTS,
        scsi.STEPS,
    )
    kinds = {row.what for row in itertools.chain(*tables)} | SET_BY_CODE
    assert kinds == set(TEXTS)


def test_words_are_whole_sentences() -> None:
    for what, words in [*TEXTS.items(), ("", NO_TEXT)]:
        for sentence in (words.means, words.do):
            assert sentence[0].isupper(), what
            assert sentence.endswith("."), what
