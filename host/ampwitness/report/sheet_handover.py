"""In which state the system was handed over, in plain words: clean, clipping, or not known. Measures nothing."""

from __future__ import annotations

from collections.abc import Sequence

from ampwitness.finding_list import FindingList
from ampwitness.findings.square_words import split_clips
from ampwitness.report.sheet_source import Source, is_gain_run
from ampwitness.types import Finding

NOT_REACHED = "the edge was not reached"


def word_handover(sources: Sequence[Source]) -> tuple[str, ...]:
    """A sentence each for channels left clean, left clipping and not known, and one for the last music."""
    clean: list[str] = []
    clipping: list[str] = []
    safe: list[str] = []
    unknown: list[str] = []
    for name, setting in _last_settings(sources).items():
        m = setting.measured
        margin_db = m.get("margin_db")
        if isinstance(margin_db, int | float) and not isinstance(margin_db, bool):
            where = f"{name} by {abs(margin_db):.1f} dB"
            (clean if margin_db >= 0 else clipping).append(where)
        elif m.get("outcome") == NOT_REACHED:
            safe.append(name)
        else:
            unknown.append(f"{name} ({m.get('outcome') or 'no result'})")
    lines = []
    if clipping:
        lines.append(
            f"LEFT CLIPPING: {', '.join(clipping)} beyond the highest clean level. Played full it distorts: turn the "
            "gain down by as much."
        )
    if clean:
        lines.append(f"Left clean: {', '.join(clean)} below the level where it begins to clip.")
    if safe:
        lines.append(f"Left clean as far as it was tried: {', '.join(safe)} did not reach the edge with this source.")
    if unknown:
        lines.append(f"Not known whether it clips: {', '.join(unknown)}.")
    return (*lines, *_word_music(sources))


def _last_settings(sources: Sequence[Source]) -> dict[str, Finding]:
    """By channel: the newest one as left; where there is none, the newest."""
    found: dict[str, tuple[bool, Finding]] = {}
    for source in sources:
        for setting in [f for f in source.analysis.findings if f.kind == "setting"][-1:]:
            name = source.channel or str(source.analysis.settings.notes.get("amplifier") or "") or source.label
            is_as_found = source.moment == "as found"
            if is_as_found and name in found and not found[name][0]:
                continue
            found[name] = (is_as_found, setting)
    return {f"{name}, as found," if is_as_found else name: f for name, (is_as_found, f) in found.items()}


def _word_music(sources: Sequence[Source]) -> list[str]:
    of_music = [s for s in sources if not is_gain_run(s) and any(c.detector == "clipping" for c in s.analysis.coverage)]
    if not of_music:
        return []
    last = sorted(of_music, key=_began_s)[-1]  # the order of work is not that of the clock
    findings = FindingList.of(last.analysis.findings)
    n_clips = findings.n_found("clip") - len(split_clips(findings)[1])
    if not n_clips:
        return []  # its verdict stands in the table, with how much of it was judged
    many = f"{n_clips:,} half-cycles" if n_clips > 1 else "1 half-cycle"
    return [f"{many} of what was played last clipped ({last.label})."]


def _began_s(source: Source) -> float:
    """When it was recorded, by the computer's clock; 0 where nothing says."""
    began_s = source.analysis.settings.notes.get("started_host_s")
    return float(began_s) if isinstance(began_s, int | float) else 0.0
