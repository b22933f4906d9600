from __future__ import annotations

import re

from watcher.web.files import KINDS, files, stamp


def test_the_files_fetch_nothing_from_anywhere() -> None:
    for name, body in files().items():
        text = body.decode().replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"https?://|@import|url\(", text), name


def test_every_file_has_a_kind_and_the_stamp_is_of_them_all() -> None:
    assert {name.rpartition(".")[2] for name in files()} <= set(KINDS)
    assert re.fullmatch(r"[0-9a-f]{12}", stamp())


def test_the_sheet_of_style_knows_the_dark_the_narrow_and_paper() -> None:
    sheet = files()["midwatch.css"].decode()
    for words in ("prefers-color-scheme: dark", "@media print", "focus-visible"):
        assert words in sheet


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1, section 1.4.3 and its definition."""
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_colours_differ_enough_to_be_read_in_light_and_dark() -> None:
    """WCAG 2.1 AA: 4.5 for text (1.4.3), 3 for what is drawn (1.4.11)."""
    assert round(contrast("#000000", "#ffffff"), 1) == 21.0
    found = re.findall(r"--paper: [^}]*", files()["midwatch.css"].decode())
    light, dark, forced, paper = found
    # CSS Color 4, system colours: where a person forces colours, the pages have none of their own
    own = set(re.findall(r": (\S+);", forced))
    assert own == {"Canvas", "CanvasText", "GrayText", "LinkText"}
    for scheme in (light, dark, paper):
        wide = re.sub(r"#(\w)(\w)(\w)(?=;)", r"#\1\1\2\2\3\3", scheme + ";")
        colours = dict(re.findall(r"--(\w+): (#\w{6});", wide))
        for ground in ("paper", "card"):
            for text in ("ink", "soft", "mark"):
                assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground, scheme)
            assert contrast(colours["line"], colours[ground]) >= 3, (ground, scheme)
