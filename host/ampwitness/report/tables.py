"""The page's tables: a row a finding, with an anchor of its own, sortable by the page's script."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from ampwitness.findings.selection import choose_listed
from ampwitness.findings.wording import KIND_WORDS, KindWords, count_words
from ampwitness.report.explanations import explanation_link
from ampwitness.types import Finding
from ampwitness.units import LEAST_CLOCK_S, fixed, seconds_to_clock

MOST_ON_PAPER = 30  # rows of a kind; who prints the page wants the worst, not all

# kind -> (heading with unit, key of what was measured or of the evidence, digits); the first columns are always the
# number and the start
_COLUMNS: dict[str, tuple[tuple[str, str, int], ...]] = {
    "clip": (
        ("polarity", "polarity", 0),
        ("ceiling (V)", "plateau_v", 2),
        ("flat (ms)", "flat_s", 3),
        ("slope (V/s)", "plateau_slope_v_per_s", 0),
        ("overdrive (dB)", "overdrive_db", 2),
        ("uncut crest (V)", "crest_v", 2),
        ("shape", "hardness", 0),
        ("clipped by", "origin", 0),
        ("rail or current", "ceiling", 0),
        ("supply (V)", "supply_v", 2),
        ("engine", "engine_state", 0),
        ("whose fault", "cause", 0),
        ("sag's share", "cause_share", 2),
    ),
    "note": (
        ("pitch (Hz)", "pitch_hz", 2),
        ("name (ISO 16)", "pitch_name", 0),
        ("cents off it", "pitch_cents", 1),
        ("level (V rms)", "level_v", 2),
        ("attack (s)", "attack_s", 4),
        ("supply before (V)", "supply_before_v", 3),
        ("looked for (s)", "supply_before_looked_s", 3),
        ("settled before", "supply_before_settled", 0),
        ("engine", "engine_state", 0),
        ("lowest, averaged (V)", "supply_lowest_averaged_v", 3),
        ("lowest, raw (V)", "supply_lowest_raw_v", 3),
        ("at its end (V)", "supply_end_v", 3),
        ("sag (V)", "sag_v", 3),
        ("its own at most (V)", "sag_own_v", 3),
        ("sag (%)", "sag_percent", 2),
        ("slope (V/s)", "sag_slope_v_per_s", 2),
        ("recovery (s)", "recovery_s", 3),
        ("ripple at 2x pitch (V p-p)", "ripple_v", 3),
        ("energy (V² s)", "energy_v2s", 2),
    ),
    "dip": (
        ("channel", "role", 0),
        ("reference (V)", "reference_v", 2),
        ("residual (V)", "residual_v", 3),
        ("depth (V)", "depth_v", 3),
        ("depth (%)", "depth_percent", 1),
        ("duration (s)", "duration_s", 3),
        ("class borrowed from IEEE 1159", "borrowed_class", 0),
        ("engine", "engine_state", 0),
    ),
    "cutout": (
        ("outage (s)", "outage_s", 3),
        ("cause", "cause", 0),
        ("supply then (V)", "supply_at_start_v", 2),
        ("lowest before (V)", "supply_lowest_before_v", 2),
        ("came back", "recovered", 0),
        ("how", "returned", 0),
        ("confidence", "confidence", 0),
        ("engine", "engine_state", 0),
    ),
    "tone": (
        ("tone (Hz)", "frequency_hz", 2),
        ("highest level (V rms)", "level_v", 3),
        ("THD there (%)", "thd_percent", 3),
        ("its floor (%)", "thd_floor_percent", 3),
        ("against the total (%)", "thd_of_total_percent", 3),
        ("THD+N in the band (%)", "thd_n_percent", 3),
        ("SINAD (dB)", "sinad_db", 1),
        ("effective bits", "effective_bits", 2),
        ("harmonics 2 to 10 (%)", "harmonics_percent", 2),
        ("even (%)", "even_percent", 3),
        ("odd (%)", "odd_percent", 3),
        ("peak (V)", "peak_v", 2),
        ("crest factor", "crest_ratio", 3),
        ("DC (V)", "dc_v", 3),
        ("nominal (W)", "watts_nominal", 1),
        ("supply (V)", "supply_v", 2),
        ("other line (Hz)", "other_hz", 1),
        ("why no THD", "not_judged", 0),
    ),
    "knee": (
        ("tone (Hz)", "frequency_hz", 2),
        ("1 % at (V rms)", "knee_v", 3),
        ("peak there (V)", "knee_peak_v", 2),
        ("nominal (W)", "knee_w", 1),
        ("10 % at (V rms)", "ten_percent_v", 3),
        ("nominal (W)", "ten_percent_w", 1),
        ("ceiling (V)", "ceiling_v", 2),
        ("supply there (V)", "supply_at_knee_v", 2),
        ("outcome", "outcome", 0),
    ),
    "setting": (("result", "line", 0),),
    "check": (
        ("result", "line", 0),
        ("readings", "n_readings", 0),
        ("worst leg", "worst_leg", 0),
        ("drop (V)", "worst_drop_v", 3),
    ),
    "drift": (
        ("change (dB)", "change_db", 3),
        ("a hour (dB)", "change_db_per_hour", 3),
        ("start, standard error (s)", "start_uncertainty_s", 0),
        ("before (V rms)", "level_before_v", 3),
        ("after (V rms)", "level_after_v", 3),
        ("supply before (V)", "supply_before_v", 2),
        ("after (V)", "supply_after_v", 2),
        ("cause", "cause", 0),
    ),
    "reading": (("what", "name", 0), ("value", "value", 2), ("unit", "unit", 0)),
    "saturation": (("channel", "role", 0), ("end of range", "rail", 0)),
    "gap": (("cause", "cause", 0), ("scans lost", "n_scans_lost", 0), ("length exact", "is_exact", 0)),
    "mark": (("by", "source", 0), ("label", "label", 0), ("tied to", "tie", 0)),
}


# What is so short that seconds would be all zeros.
_IN_MILLISECONDS = frozenset(("flat_s",))

# Columns that paper has no room for.
_SCREEN_ONLY = frozenset(
    (
        "pitch_cents", "attack_s", "supply_before_looked_s", "supply_lowest_raw_v", "supply_end_v",
        "sag_slope_v_per_s", "ripple_v", "energy_v2s", "engine_state", "sag_own_v", "thd_of_total_percent",
        "thd_n_percent", "sinad_db", "effective_bits", "harmonics_percent", "even_percent", "odd_percent", "peak_v",
        "crest_ratio", "dc_v", "plateau_slope_v_per_s", "hardness", "origin", "ceiling",
        "borrowed_class",
    )
)  # fmt: skip

# Columns that a phone held upright has no room for.
_WIDE_ONLY = _SCREEN_ONLY | frozenset(
    (
        "polarity", "plateau_v", "crest_v", "cause_share", "supply_v", "confidence", "role", "reference_v", "depth_v",
        "supply_at_start_v", "supply_lowest_before_v", "recovered", "returned", "supply_before_v",
        "supply_before_settled", "pitch_name", "sag_percent", "recovery_s", "thd_floor_percent", "knee_peak_v",
        "ten_percent_v", "ten_percent_w", "supply_at_knee_v", "change_db_per_hour", "level_before_v", "level_after_v",
        "supply_after_v", "is_exact",
    )
)  # fmt: skip


def _columns_of(kind: str, findings: Sequence[tuple[int, Finding]]) -> tuple[tuple[str, str, int], ...]:
    """The columns of a kind; of one that is not known here: whatever was measured."""
    if kind in _COLUMNS:
        return _COLUMNS[kind]
    keys = dict.fromkeys(key for _, finding in findings for key in finding.measured)
    return tuple((key.replace("_", " "), key, 3) for key in keys)


def _cell(value: object, digits: int) -> str:
    if value is None:
        return "not judged"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return fixed(value, digits)
    if isinstance(value, list):
        return " ".join("-" if one is None else fixed(one, digits) for one in value)
    return escape(str(value))


def _value_of(finding: Finding, key: str) -> object:
    return finding.measured[key] if key in finding.measured else finding.evidence.get(key)


def _scaled(key: str, value: object) -> object:
    if key == "cause_share" and isinstance(value, float) and value >= 1.0:
        return "1 or more"
    return 1e3 * value if key in _IN_MILLISECONDS and isinstance(value, float) else value


def _class_of(key: str) -> str:
    """Where a column is left out, as an attribute: `more` on paper, `wide` on a phone held upright."""
    names = [name for name, keys in (("more", _SCREEN_ONLY), ("wide-only", _WIDE_ONLY)) if key in keys]
    return f' class="{" ".join(names)}"' if names else ""


def _start_heading(last_s: float) -> str:
    """In what a table's starts are told, by the last of them: beyond a minute as every sentence and picture has it."""
    if last_s < LEAST_CLOCK_S:
        return "start (s)"
    return "start (h:min:s)" if last_s >= 3600 else "start (min:s)"


def _word_start(start_s: float, last_s: float) -> str:
    if last_s < LEAST_CLOCK_S:
        return f"{start_s:.4f}"
    clock = seconds_to_clock(start_s)
    return f"0:{clock.removesuffix(' s'):0>6}" if clock.endswith(" s") else clock


def words_of(kind: str) -> KindWords:
    """How a kind is spoken of, also one that has no words of its own yet."""
    return KIND_WORDS.get(kind) or KindWords("", kind, f"findings of kind {kind}", f"{kind}?", "", "")


def finding_link(number: int) -> str:
    """A link to the row of a finding; the number is that of the JSON output: its place among all, from 1."""
    return f'<a class="to-row" href="#finding-{number}">finding {number}</a>'


def findings_table(kind: str, listed: Sequence[tuple[int, Finding]], n_all: int) -> str:
    """One kind's findings as a table.

    Parameters
    ----------
    kind : of all of them
    listed : number and finding, in order of time
    n_all : how many of the kind there are; the caption says so where not all are listed
    """
    columns = _columns_of(kind, listed)
    words = words_of(kind)
    more = ' class="more"'
    kept_back = [_class_of(key) for _, key, _ in columns]
    last_s = max((finding.start_s for _, finding in listed), default=0.0)
    names = [("no.", ""), (_start_heading(last_s), "")]
    names += [(name, hidden) for (name, _, _), hidden in zip(columns, kept_back, strict=True)]
    head = "".join(f'<th scope="col"{hidden}>{escape(name)}</th>' for name, hidden in names)
    worst = choose_listed([finding for _, finding in listed], MOST_ON_PAPER)[kind]
    on_paper = {place for place, _ in worst}
    rows = "".join(
        f'<tr id="finding-{number}"{"" if place in on_paper else more}><td>{number}</td>'
        f'<td><a class="go" href="#overview" data-finding="{number}">{_word_start(finding.start_s, last_s)}</a></td>'
        + "".join(
            f"<td{hidden}>{_cell(_scaled(key, _value_of(finding, key)), digits)}</td>"
            for (_, key, digits), hidden in zip(columns, kept_back, strict=True)
        )
        + "</tr>"
        for place, (number, finding) in enumerate(listed, start=1)
    )
    caption = count_words(n_all, words.one, words.many)
    if n_all > len(listed):
        caption += f", the worst {len(listed)} shown; <code>report --json FILE --every-finding</code> lists each"
    said = f"<span>{escape(words.meaning)} {escape(words.next_step)}</span>"
    if kind in KIND_WORDS:
        said += f" {explanation_link(kind, f'More on {words.many}')}."
    paper = ""
    if len(listed) > len(worst):
        paper = f'<span class="paper-words">On paper the worst {len(worst)}.</span>'
    if any("wide-only" in hidden for hidden in kept_back):
        paper += ' <span class="phone-words">Turn the phone on its side for all columns.</span>'
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="{escape(words.many)}"><table class="sorts">'
        f"<caption>{caption}. {said} {paper}</caption>"
        f"<thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>"
    )


def dips_table(role: str, counts: Mapping[str, Any]) -> str:
    """How many dips of a channel there were, by what was left of its volts and how long they lasted; empty for none."""
    if not any(map(any, counts["n"])):
        return ""
    head = "".join(
        f'<th scope="col">{"longer" if edge is None else f"to {edge:g} s"}</th>' for edge in counts["duration_to_s"]
    )
    lows = counts["residual_from_percent"]
    rows = "".join(
        f'<tr><th scope="row">{low} to {above} %</th>{"".join(f"<td>{n:,}</td>" for n in row)}</tr>'
        for low, above, row in zip(lows, (100, *lows), counts["n"], strict=False)
    )
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="dips of the {escape(role)}, counted"><table>'
        f"<caption>Dips of the {escape(role)}: how much of its usual volts was left, and how long they "
        f'lasted.</caption><thead><tr><th scope="col">left</th>{head}</tr></thead><tbody>{rows}</tbody></table></div>'
    )
