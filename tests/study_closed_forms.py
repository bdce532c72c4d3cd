"""Prints the table of closed forms against measurements, and writes it into DEVELOPERS.md with ``--write``."""

from __future__ import annotations

import re
import sys
from pathlib import Path

from tests.closed_forms import all_rows

PAGE = Path(__file__).parents[1] / "DEVELOPERS.md"


def table() -> str:
    """The rows as a Markdown table."""
    lines = ["| case | unit | closed form | measured | difference |", "|---|---|---|---|---|"]
    for row in all_rows():
        lines.append(
            f"| {row.case} | {row.unit} | {row.expected:.2f} | {row.measured:.2f} | {row.error:+.2f} |"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    made = table()
    print(made)
    if "--write" in sys.argv:
        text = PAGE.read_text()
        block = f"<!-- closed forms -->\n{made}\n<!-- end closed forms -->"
        PAGE.write_text(re.sub(r"<!-- closed forms -->.*?<!-- end closed forms -->", block, text, flags=re.S))
