"""The report of a burn-in: what was done, what came of it, and the speed curve as a picture. Pure.

The picture is one SVG file (W3C SVG 1.1) that any browser shows and any printer prints: speed over
the place on the drive, one line for each pass. A disk falls to about half from the first track to
the last, because its inner tracks are shorter; a dip stands for a part that is tried again and
again.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from html import escape
from typing import Final

from watcher.facts.units import say_bytes, say_count, say_span
from watcher.recovery.proof_verdict import LINK, SURFACE, Outcome
from watcher.recovery.proving import OwnTest, Proof, Stretch

WIDTH, HEIGHT = 860, 360
LEFT, RIGHT, TOP, BOTTOM = 70, 20, 44, 56

_LINES: Final = (("write", "writing", "#8a5a00"), ("read", "reading back", "#005a8a"))


def _speeds(stretches: Sequence[Stretch]) -> list[float | None]:
    """Give the speed of each part in bytes per second."""
    return [stretch.bytes_per_second for stretch in stretches]


def round_top(highest: float) -> float:
    """Give a round number at or above the highest speed: 1, 2 or 5 times a power of ten."""
    step = 1.0
    while step * 10 < highest:
        step *= 10
    return next((step * factor for factor in (1, 2, 5) if step * factor >= highest), step * 10)


def curve_svg(proof: Proof, title: str) -> str:
    """Draw the speed over the place on the drive."""
    series = [
        (words, colour, _speeds(getattr(proof, name)))
        for name, words, colour in _LINES
        if any(speed is not None for speed in _speeds(getattr(proof, name)))
    ]
    highest = max((s for _, _, speeds in series for s in speeds if s is not None), default=1e6)
    top = round_top(highest)
    parts = [
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{HEIGHT}" '
            f'viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" font-size="12">'
        ),
        f"<title>{escape(title)}</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#ffffff"/>',
        f'<text x="{LEFT}" y="22" font-size="15">{escape(title)}</text>',
        *_axes(top, proof.size_bytes),
    ]
    for number, (words, colour, speeds) in enumerate(series):
        dash = "" if number == 0 else ' stroke-dasharray="7 3"'  # told apart without colour too
        parts += [
            f'<polyline fill="none" stroke="{colour}" stroke-width="1.6"{dash} points="{run}"/>'
            for run in _runs(speeds, top)
        ]
        x = LEFT + 170 * number
        parts.append(
            f'<line x1="{x}" y1="{TOP - 8}" x2="{x + 26}" y2="{TOP - 8}" stroke="{colour}" '
            f'stroke-width="2"{dash}/><text x="{x + 32}" y="{TOP - 4}">{words}</text>'
        )
    return "\n".join([*parts, "</svg>", ""])


def _axes(top: float, size: int) -> list[str]:
    """Draw both axes with round numbers."""
    lines = []
    for step in range(5):
        y = TOP + (HEIGHT - TOP - BOTTOM) * step / 4
        speed = top * (1 - step / 4)
        lines.append(
            f'<line x1="{LEFT}" y1="{y:.1f}" x2="{WIDTH - RIGHT}" y2="{y:.1f}" stroke="#d0d0d0"/>'
            f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">'
            f"{say_bytes(round(speed))}/s</text>"
        )
    for step in range(5):
        x = LEFT + (WIDTH - LEFT - RIGHT) * step / 4
        lines.append(
            f'<text x="{x:.1f}" y="{HEIGHT - BOTTOM + 20}" text-anchor="middle">'
            f"{say_bytes(round(size * step / 4)) if step else 'first sector'}</text>"
        )
    middle = (LEFT + WIDTH - RIGHT) / 2
    lines.append(
        f'<text x="{middle:.0f}" y="{HEIGHT - 14}" text-anchor="middle">place on the drive</text>'
    )
    return lines


def _runs(speeds: Sequence[float | None], top: float) -> list[str]:
    """Give the points of the line, in pieces where a part was not timed."""
    runs: list[list[str]] = [[]]
    count = max(len(speeds), 1)
    for number, speed in enumerate(speeds):
        if speed is None:
            runs.append([])
            continue
        x = LEFT + (WIDTH - LEFT - RIGHT) * (number + 0.5) / count
        y = TOP + (HEIGHT - TOP - BOTTOM) * (1 - min(speed / top, 1.0))
        runs[-1].append(f"{x:.1f},{y:.1f}")
    return [" ".join(run) for run in runs if run]


def _pass_line(words: str, stretches: Sequence[Stretch]) -> str | None:
    """Say how one pass went."""
    seconds = sum(stretch.seconds for stretch in stretches)
    count = sum(stretch.bytes for stretch in stretches)
    speeds = [s for s in _speeds(stretches) if s is not None]
    if not speeds or seconds <= 0:
        return None
    tenth = max(len(speeds) // 10, 1)
    first, last = sum(speeds[:tenth]) / tenth, sum(speeds[-tenth:]) / tenth
    return (
        f"{words}: {say_bytes(count)} in {say_span(timedelta(seconds=seconds))}, "
        f"{say_bytes(round(count / seconds))}/s on average, {say_bytes(round(first))}/s at the "
        f"beginning, {say_bytes(round(last))}/s at the end"
    )


def report_text(proof: Proof, outcome: Outcome) -> str:
    """Write the report for a person, in plain text."""
    who = proof.identity
    lines = [
        (
            f"Burn-in of {who.model or 'a drive'}, {say_bytes(proof.size_bytes)}, serial "
            f"{who.serial or 'unknown'}"
        ),
        f"id {who.drive}, firmware {who.firmware or 'not known'}",
        "",
        f"{outcome.result.value.upper()}: {outcome.sentence}",
        *(f"  {reason}" for reason in outcome.reasons),
        "",
        f"Begun {proof.begun_at:%Y-%m-%d %H:%M} UTC"
        + (f", ended {proof.ended_at:%Y-%m-%d %H:%M} UTC" if proof.ended_at else ", not ended"),
    ]
    for words, stretches in (("Written", proof.write), ("Read", proof.read)):
        line = _pass_line(words, stretches)
        if line is not None:
            lines.append(line)
    tests = {
        OwnTest.NOT_YET: "Extended self-test: not yet.",
        OwnTest.RUNNING: f"Extended self-test: {proof.test_percent}% done.",
    }
    lines.append(tests.get(proof.test, proof.test_text))
    if proof.warmth:
        degrees = [w.celsius for w in proof.warmth]
        lines.append(f"Temperature: {min(degrees)} to {max(degrees)} °C.")
    if proof.paused_seconds:
        paused = say_span(timedelta(seconds=proof.paused_seconds))
        lines.append(f"Paused for {paused} because it was too warm.")
    lines += ["", *_counter_lines(proof)]
    if outcome.remarks:
        lines += ["", "What this does not prove", *(f"  {remark}" for remark in outcome.remarks)]
    if proof.faults_count:
        lines += ["", f"Faults ({say_count(proof.faults_count, 'place')})"]
        lines += [f"  {fault.text}" for fault in proof.faults[:50]]
    return "\n".join(lines) + "\n"


def _counter_lines(proof: Proof) -> list[str]:
    """Say the counters before and after."""
    if proof.before is None or proof.after is None:
        return ["Counters before and after: not known."]
    was, now = dict(proof.before), dict(proof.after)
    shown = [m for m in (*SURFACE, *LINK) if m in was or m in now]
    if not shown:
        return ["Counters before and after: the drive tells none of those that matter."]
    return ["Counters, before and after"] + [
        f"  {metric.value.replace('-', ' ')}: {was.get(metric, 'not told')} and "
        f"{now.get(metric, 'not told')}"
        for metric in shown
    ]
