"""Every number in the hardware notes is computed by a test or listed with its source; every link leads somewhere."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from ampwitness.types import Channel
from ampwitness.waveform.calibration import nominal_calibration

ROOT = Path(__file__).resolve().parents[2]
NOTES = ROOT / "hardware-notes"
PAGES = sorted(path for path in NOTES.glob("*.md") if path.name != "sources.md")
# A page whose numbers are held to the parts by tests of their own.
HELD_ELSEWHERE = {"input-network.md"}
# Names, not numbers.
NAMES = re.compile(
    r"RP2040(-E11)?|RP2350|ISO 7637-2|C0G/NP0|C0G|MicroPython 1\.26|12\.4\.1|\b[35]\.3 V regulator|USB 2\.0"
)


def listed() -> dict[str, set[str]]:
    """Page -> numbers that sources.md lists for it."""
    found: dict[str, set[str]] = {}
    for line in (NOTES / "sources.md").read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) == 3 and cells[0].endswith(".md"):
            found.setdefault(cells[0], set()).update(re.findall(r"\d+(?:\.\d+)?", cells[1]))
    return found


def numbers_of(text: str) -> set[str]:
    """Numbers in a page's prose: code, links, list numbers and names left out."""
    text = re.sub(r"^(    .*)$", "", text, flags=re.MULTILINE)  # blocks of code
    text = re.sub(r"`[^`]*`|\]\([^)]*\)", " ", text)
    text = re.sub(r"^\d+\. ", "", text, flags=re.MULTILINE)
    text = NAMES.sub(" ", text)
    return set(re.findall(r"(?<![\w.])\d+(?:\.\d+)?", text))


@pytest.mark.parametrize("path", [p for p in PAGES if p.name not in HELD_ELSEWHERE], ids=lambda p: p.name)
def test_every_number_has_a_source(path: Path) -> None:
    missing = numbers_of(path.read_text(encoding="utf-8")) - listed().get(path.name, set())
    assert not missing, f"{path.name}: list {sorted(missing)} in sources.md, or compute them in a test"


def test_no_source_without_its_number() -> None:
    for page, numbers in listed().items():
        text = (NOTES / page).read_text(encoding="utf-8")
        assert numbers <= set(re.findall(r"\d+(?:\.\d+)?", text)), page


@pytest.mark.parametrize("path", [*PAGES, NOTES / "sources.md"], ids=lambda p: p.name)
def test_links_and_files_exist(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert (path.parent / target).exists(), target
    for named in re.findall(r"`((?:host|firmware|tests|protocol)/[\w./-]+)`", text):
        assert (ROOT / named).exists(), named


def test_the_nominal_uncertainty_named_in_the_notes() -> None:
    """About 1.4 %: of the supply's and the speaker terminal's networks as board_config has them."""
    supply = Channel("supply", 28, 3.3 * (1 + 24_000 / 3_570) / 4096, 0.0, 0)
    gain_ratio = nominal_calibration(supply).gain_uncertainty_ratio
    assert 100 * gain_ratio == pytest.approx(1.4, abs=0.05)


def test_the_commands_of_the_calibration_page_exist() -> None:
    from ampwitness.cli.calibrate import calibrate
    from ampwitness.cli.virtual_board import virtual_board

    options = {name for command in (calibrate, virtual_board) for p in command.params for name in p.opts}
    text = (NOTES / "calibration.md").read_text(encoding="utf-8")
    for option in re.findall(r"--[a-z-]+", text):
        assert option in options | {"--calibration"}, option
