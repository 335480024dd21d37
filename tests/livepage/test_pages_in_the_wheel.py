"""What pip installs holds the pages' own files."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_the_wheel_holds_the_pages(tmp_path: Path) -> None:
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (wheel,) = tmp_path.glob("*.whl")
    held = set(zipfile.ZipFile(wheel).namelist())
    folder = ROOT / "host" / "ampwitness" / "livepage"
    wanted = {
        f"ampwitness/livepage/{path.name}" for path in folder.iterdir() if path.suffix in (".html", ".js", ".css")
    }
    assert len(wanted) == 6
    assert wanted <= held
