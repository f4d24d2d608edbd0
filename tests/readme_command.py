"""Prints the Nth `sh` block of the README (counted from 1): python3 tests/readme_command.py N"""

from __future__ import annotations

import re
import sys
from pathlib import Path


def sh_blocks() -> list[str]:
    """The `sh` blocks of the README, in order."""
    text = (Path(__file__).resolve().parent.parent / "README.md").read_text(encoding="utf-8")
    return [block.strip() for block in re.findall(r"^```sh\n(.*?)^```", text, re.DOTALL | re.MULTILINE)]


if __name__ == "__main__":
    print(sh_blocks()[int(sys.argv[1]) - 1])
