"""The pictures of screens in README: drawn from what a command really prints.

python -m tests.pictures     draws them anew
"""

from __future__ import annotations

import io
from pathlib import Path

from rich.terminal_theme import TerminalTheme

from drivecare.cli.assessment_screen import show_assessment
from drivecare.cli.screen import Screen
from drivecare.reading.decode import decode_report
from drivecare.risk.assess import assess

ROOT = Path(__file__).resolve().parents[1]
PICTURE = ROOT / "docs" / "pictures" / "passed-and-yet-evacuate.svg"
REPORT = ROOT / "fixtures" / "demo" / "failing-drive.txt"
COLUMNS = 80

_THEME = TerminalTheme(
    background=(24, 30, 36),
    foreground=(222, 226, 230),
    normal=[
        (24, 30, 36),
        (178, 44, 30),
        (70, 150, 90),
        (200, 150, 50),
        (80, 130, 190),
        (150, 100, 170),
        (60, 150, 160),
        (255, 255, 255),
    ],
)
# A sheet of its own colours within a rule, to be read on a light page and on a dark one; it loads no font.
_FORMAT = """<svg viewBox="-9 -25 {width} {height}" xmlns="http://www.w3.org/2000/svg" role="img">
<title>A drive that calls itself sound, judged: evacuate</title>
<style>
.{unique_id}-matrix {{ font: {char_height}px ui-monospace, "DejaVu Sans Mono", Menlo, Consolas, monospace }}
{styles}
</style>
<defs>{lines}</defs>
<rect x="-9" y="-25" width="100%" height="100%" rx="8" fill="#181e24" stroke="#7b8794" stroke-width="3"/>
{backgrounds}
<g class="{unique_id}-matrix">{matrix}</g>
</svg>
"""


def draw_screen() -> str:
    """Draw the screen of a drive whose own verdict is PASSED, and which is losing data."""
    out = Screen(
        file=io.StringIO(),
        record=True,
        width=COLUMNS,
        force_terminal=True,
        color_system="truecolor",
        no_color=False,
        highlight=False,
        markup=False,
        emoji=False,
        legacy_windows=False,
    )
    out.print("$ drivecare assess failing-drive.txt", style="bold")
    show_assessment(out, assess(decode_report(REPORT.read_text(encoding="utf-8"))), full=False)
    return out.export_svg(theme=_THEME, code_format=_FORMAT, unique_id="screen").replace("</text>", "</text>\n")


if __name__ == "__main__":
    PICTURE.parent.mkdir(exist_ok=True)
    PICTURE.write_text(draw_screen(), encoding="utf-8")
