"""The second reader of a smartctl answer: the embedded text, by our own eyes and by pySMART.

The JSON gives the facts. The text that ``--json=co`` embeds says the same once more, so that each
watches the other: a verdict, an attribute or a counter that differs means that the answer was
damaged on its way, and nothing of it is used. The text also tells what the JSON lacks (SCSI
non-medium errors, NVMe temperature limits before version 7.4).

pySMART reads the same text when a deep poll asks for it, through a ``Smartctl`` of our own that
starts no program. Its verdict is never used: it takes a cut line for a failure, and it raises half
a dozen kinds of errors on odd text, and on the brief table of ``-x``. That it stumbles says nothing
of the drive and takes nothing away, so nobody is told. A new object each time:
``update()`` keeps an old PASS. (Its list of NVMe error entries, which the JSON of version 7.3
lacks, is not kept: healthy drives have entries by the hundred, and their count is in the log.)
"""

from __future__ import annotations

from collections.abc import Sequence

from watcher.facts.drive import Metric, Protocol, Verdict
from watcher.readers.drive_report import Report
from watcher.readers.errors import CannotParse
from watcher.readers.pysmart import Device, Smartctl
from watcher.readers.smartctl_text import report_of_text

SOURCE = "smartctl"

_INTERFACES = {Protocol.ATA: "sat", Protocol.NVME: "nvme", Protocol.SCSI: "scsi"}

_TEXT_ONLY = frozenset(
    {
        Metric.NON_MEDIUM_ERRORS,
        Metric.TEMPERATURE_WARNING_CELSIUS,
        Metric.TEMPERATURE_CRITICAL_CELSIUS,
        Metric.POWER_ON_HOURS,
        Metric.PENDING_SECTORS,
        Metric.TEMPERATURE_HIGHEST_CELSIUS,
    }
)
"""What may be taken from the text when the JSON has no word of it."""


class Replay(Smartctl):
    """Gives pySMART the text of a run that is already over; starts no program."""

    def __init__(self, lines: Sequence[str]) -> None:
        """Keep the lines."""
        super().__init__(smartctl_path="replay", options=[])
        self._lines = list(lines)

    def generic_call(
        self,
        params: Sequence[str],
        pass_options: bool = False,  # noqa: FBT001, FBT002
    ) -> tuple[list[str], int]:
        """Answer what the text can answer, and fail every probe."""
        del pass_options
        if {"--all", "--info", "--scan-open"} & set(params) or "background" in params:
            return list(self._lines), 0
        return [], 1


def device_of(lines: Sequence[str], protocol: Protocol, node: str) -> Device | None:
    """Let pySMART read a text; None when it stumbles over it."""
    interface = _INTERFACES.get(protocol, "scsi")
    try:
        return Device(node, interface=interface, smartctl=Replay(lines))
    except (ValueError, LookupError, StopIteration, TypeError, AttributeError):
        return None


_SAME = frozenset(
    {Metric.CRITICAL_WARNING, Metric.MEDIA_ERRORS, Metric.WEAR_PERCENT, Metric.SPARE_PERCENT,
     Metric.GROWN_DEFECTS, Metric.READ_ERRORS_UNCORRECTED, Metric.WRITE_ERRORS_UNCORRECTED,
     Metric.VERIFY_ERRORS_UNCORRECTED, Metric.REALLOCATED_SECTORS, Metric.UNSAFE_SHUTDOWNS}
)  # fmt: skip
"""What is one number printed twice, so that a difference is damage. Others may be rounded."""


def compare(report: Report, lines: Sequence[str], *, node: str, deep: bool) -> None:
    """Hold the text against the report from the JSON; raises ``CannotParse`` where they differ.

    A text that cannot be read takes nothing from the JSON: that is a doubt and no more.
    """
    try:
        text = report_of_text("\n".join(lines) + "\n")
    except CannotParse as error:
        report.doubts.append(
            f"The text in the answer could not be used as a check: {error.reason}."
        )
        return
    if text.protocol is not report.protocol or text.serial != report.serial:
        raise CannotParse(SOURCE, "the text and the JSON of the answer are about different drives")
    _compare_verdicts(report, text)
    rows = [(row.number, row.value, row.raw_text, row.failing_now) for row in report.attributes]
    told = [(row.number, row.value, row.raw_text, row.failing_now) for row in text.attributes]
    if rows != told:
        odd = next((a for a, b in zip(rows, told, strict=False) if a != b), None)
        raise CannotParse(SOURCE, f"attributes differ between text and JSON ({odd})")
    _compare_metrics(report, text)
    if None not in {report.recovery, text.recovery} and report.recovery != text.recovery:
        raise CannotParse(SOURCE, "the text and the JSON tell of different times of recovery")
    report.recovery = report.recovery or text.recovery
    report.doubts.extend(doubt for doubt in text.doubts if doubt not in report.doubts)
    if deep:
        _ask_pysmart(report, lines, node)


def _compare_metrics(report: Report, text: Report) -> None:
    """Hold the numbers against each other, and take what only the text has."""
    for metric, number in text.metrics.items():
        known = report.metrics.get(metric)
        if known is None and metric in _TEXT_ONLY:
            report.metrics[metric] = number
        elif known is not None and known != number and metric in _SAME:
            raise CannotParse(
                SOURCE, f"{metric.value} is {known} in the JSON and {number} in the text"
            )
    if not report.self_tests:
        report.self_tests.extend(text.self_tests)
    elif [t.passed for t in report.self_tests] != [t.passed for t in text.self_tests]:
        report.doubts.append("The self-test log in the text differs from that in the JSON.")


def _compare_verdicts(report: Report, text: Report) -> None:
    """Take the text's "not known" where the drive itself gave no verdict; else both must agree."""
    if report.verdict is text.verdict:
        return
    if text.verdict is Verdict.UNKNOWN and report.verdict is Verdict.PASSED:
        report.verdict = Verdict.UNKNOWN
        return
    if Verdict.UNKNOWN in {report.verdict, text.verdict}:
        report.verdict = (
            Verdict.FAILING
            if Verdict.FAILING in {report.verdict, text.verdict}
            else Verdict.UNKNOWN
        )
        return
    raise CannotParse(SOURCE, "the text and the JSON of the answer tell opposite verdicts")


def _ask_pysmart(report: Report, lines: Sequence[str], node: str) -> None:
    """Let pySMART look too: if it reads, it must read the same drive."""
    device = device_of(lines, report.protocol, node)
    if device is not None and device.serial and device.serial != report.serial:
        report.doubts.append("pySMART reads another serial number in the same answer.")
