"""What the second looks at a known ceiling find that the first lets go: short shelves, faint flats, soft ceilings."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from ampwitness.bench import clip_sets, clip_signals
from ampwitness.bench.clip_array_scores import Score, make_case, score_case
from ampwitness.bench.clip_cases import ScoredCase
from ampwitness.bench.clip_matching import Tally
from ampwitness.bench.clip_matching import score_case as score_on_board
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips import clipping
from ampwitness.detect.clips.ceiling.clip_follows import Follower
from ampwitness.detect.clips.ceiling.clip_pile import BETWEEN_CORNERS, Pile, find_pile, might_be_plateaus
from ampwitness.detect.clips.ceiling.clip_plain import comes_just_up_to
from ampwitness.detect.clips.ceiling.rail_model import Rail
from ampwitness.detect.clips.judge.clip_level import pile_instead
from ampwitness.detect.clips.judge.clip_names import Followers, name_ceilings, name_origins
from ampwitness.detect.clips.judge.clip_side import SideVerdict, judge_side
from ampwitness.detect.clips.second.clip_soft import ceiling_of, compression_db, share_of_compression
from ampwitness.detect.clips.table.clip_candidates import FIELDS, HELD_BY, Candidates, HighCrests, OneSide
from ampwitness.detect.result import DetectorResult
from ampwitness.types import Finding

RATE_HZ = 8000.0
HIGH_HZ = RATE_HZ * clip_signals.OVERSAMPLING
CEILING_V = 40.0
SHARPNESS = 10.0


def detect(output_v: np.ndarray, window_s: float = 10.0) -> DetectorResult:
    roles = {"output": output_v, "supply": np.full(len(output_v), 12.6, dtype=np.float32)}
    detector = clipping.ClippingDetector()
    for window in iter_windows_from_arrays(roles, RATE_HZ, window_s=window_s):
        detector.push(window)
    return detector.finish()


def let_go(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """Leave one of the second looks out."""
    monkeypatch.setattr(clipping, name, lambda sides, *known: [None] * len(sides) if isinstance(sides, list) else None)


# ---- a pile of crests


def make_table(level_v: np.ndarray) -> Candidates:
    columns = {name: np.ones(len(level_v)) for name in FIELDS}
    columns |= {"level_v": level_v, "crest_v": level_v * 1.1, "n_top": np.full(len(level_v), 5.0)}
    columns |= {"top_kind": 0 * level_v, "limited": 0 * level_v}
    return Candidates(columns, np.full((len(level_v), 4), np.nan), np.ones((len(level_v), 4)))


def test_a_pile_is_many_plateaus_at_one_level_and_nothing_else() -> None:
    rng = np.random.default_rng(3)
    piled, spread = 30 + 0.03 * rng.standard_normal(20), rng.uniform(20, 30, 20)
    table = make_table(np.concatenate((piled, spread)))
    pile = find_pile(table, might_be_plateaus(table))
    assert pile is not None
    assert pile.rail.constant_v == pytest.approx(30.0, abs=0.05)
    assert pile.members[:20].all()
    for levels in (piled[:8], rng.uniform(20, 30, 60), 30 + 0.6 * rng.standard_normal(40)):  # few, anywhere, too wide
        other = make_table(levels)
        assert find_pile(other, might_be_plateaus(other)) is None
    leaning = make_table(np.concatenate((piled, spread)))
    leaning.columns["flatter_flank_ratio"][:20] = 0.0
    assert find_pile(leaning, might_be_plateaus(leaning)) is None


def test_where_crests_stand_above_what_stays_in_dense_music_the_pile_of_plateaus_is_asked() -> None:
    """Corners ring over plateaus there: five crests 2 % above sixty are ringing beside plateaus that scatter as much,
    and none beside such as lie alike."""

    def pile_of(spread_v: float, crest_v: float) -> Pile | None:
        rng = np.random.default_rng(8)
        stays, scattered = 21.55 + 0.02 * rng.standard_normal(60), 21.55 + spread_v * rng.standard_normal(60)
        table = make_table(np.concatenate((stays, scattered)))
        table.columns.update(noise_v=np.full(120, 0.25), lively=np.full(120, 0.8), peak_v=table["level_v"])
        table.columns.update(stay_v=np.repeat([21.55, 0.0], 60), is_coarse=np.zeros(120), sign=np.ones(120))
        high, lags = np.full(5, crest_v), np.full((5, 4), np.nan)
        crests = HighCrests(np.ones(5), np.arange(5.0), high, high, lags, np.ones((5, 4)))
        nothing = np.zeros(120, dtype=bool)
        return pile_instead(table, crests, 1.0, might_be_plateaus(table), None, nothing, 0.0)

    by_stays, by_plateaus, neither = pile_of(0.12, 21.8), pile_of(0.12, 21.95), pile_of(0.02, 21.95)
    assert by_stays is not None
    assert by_stays.is_of_stays
    assert by_plateaus is not None
    assert not by_plateaus.is_of_stays
    assert neither is None


# ---- full-range music


@pytest.mark.parametrize("seed", [1004, 1008])
def test_most_flats_of_half_a_millisecond_in_full_range_music_are_found(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    case = make_case("full_range", seed, drive_db=9.0, seconds=12.0)
    score = score_case(case, Score(), 0.0005)
    n_true = sum(score.n_true.values())
    assert n_true > 50
    assert sum(score.n_hit.values()) >= 0.92 * n_true
    assert score.n_false <= 0.01 * score.n_found
    let_go(monkeypatch, "find_tight")
    by_shelves = score_case(case, Score(), 0.0005)
    let_go(monkeypatch, "find_shelves")
    without = score_case(case, Score(), 0.0005)
    assert sum(by_shelves.n_hit.values()) >= sum(without.n_hit.values()) + 0.05 * n_true


# ---- faint flats


def score_through_the_board(cases: list[ScoredCase]) -> Tally:
    tally = Tally()
    for case in cases:
        tally.add(score_on_board(case, 0.0005))
    return tally


def test_faint_flats_at_a_known_ceiling_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    names = ("crossed music, following", "fm bass, regulated", "fm bass, following", "fm bass, light")
    cases = [clip_sets.make("bass", name, seed, 10.0) for name in names for seed in (100, 101)]
    faintest = (0.0, 0.1)
    tally = score_through_the_board(cases)
    assert tally.n_true[faintest] >= 15
    assert tally.n_hit[faintest] >= 0.8 * tally.n_true[faintest]
    assert tally.n_false <= 0.005 * tally.n_right
    let_go(monkeypatch, "find_faint")
    assert score_through_the_board(cases).n_hit[faintest] <= tally.n_hit[faintest] - 5


def test_crests_somewhat_below_a_known_ceiling_have_to_show_more() -> None:
    """By how much a crest misses the ceiling, in noise of a sample, its gain, and whether that is enough."""
    rows = [(0.0, 3.0, True), (-2.0, 3.0, False), (-2.0, 6.0, True), (-4.0, 50.0, False), (3.5, 3.0, True)]
    off, gain, wanted = (np.array(column) for column in zip(*rows, strict=True))
    table = make_table(np.full(len(rows), CEILING_V))
    table.columns.update(is_coarse=0 * off, gain=gain, noise_v=np.full(len(rows), 0.03), peak_v=CEILING_V + 0.03 * off)
    rail = Rail(CEILING_V, 0.0, 0, 0.0, 0, 0.03, 40, 0.0, float("nan"))
    expected, no = np.full(len(rows), CEILING_V), np.zeros(len(rows), dtype=bool)
    assert comes_just_up_to(rail, expected, table, ~no, no).tolist() == wanted.tolist()
    gain_for_odd = comes_just_up_to(rail, expected, table, no, no)
    assert not gain_for_odd.any()  # where the fit lays its corners oddly, more again
    leads_above = comes_just_up_to(rail, expected, table, no, ~no)
    assert leads_above.tolist() == [True, True, True, False, False]  # flanks may say so, at the ceiling alone
    table.columns["noise_v"] *= 20  # music dense as noise
    assert not comes_just_up_to(rail, expected, table, ~no, ~no).any()


# ---- soft ceilings


def soft_music(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Wanted and logged output of decaying low notes, some driven 4 dB over a soft ceiling."""
    rng = np.random.default_rng(seed)
    wanted = np.zeros(int(16 * HIGH_HZ))
    for k in range(32):
        t = np.arange(int(0.5 * HIGH_HZ)) / HIGH_HZ
        level = CEILING_V * 10 ** (rng.uniform(-3, 4) / 20)
        note = np.sin(2 * np.pi * rng.uniform(35, 70) * t) * np.exp(-t / 0.4) * np.clip((0.5 - t) / 0.02, 0, 1)
        wanted[k * len(t) : (k + 1) * len(t)] = level * np.clip(t / 0.01, 0, 1) * note
    output = wanted / (1 + np.abs(wanted / CEILING_V) ** SHARPNESS) ** (1 / SHARPNESS)
    return wanted, clip_signals.log(rng, output)


def missing_db(finding: Finding, wanted: np.ndarray) -> float:
    """How far the wanted crest under a finding lies above its output's by the law itself."""
    span = slice(int((finding.start_s - 0.001) * HIGH_HZ), int((finding.stop_s + 0.001) * HIGH_HZ))
    crest = float(np.max(np.abs(wanted[span])))
    return 20 / SHARPNESS * float(np.log10(1 + (crest / CEILING_V) ** SHARPNESS))


def test_a_soft_ceiling_is_learned_and_every_bent_crest_is_measured_by_it() -> None:
    wanted, logged = soft_music(5)
    found = [f for f in detect(logged).findings if f.evidence["measured_by"] == "soft law"]
    assert len(found) > 100
    assert {f.measured["hardness"] for f in found} == {"soft"}
    assert {f.measured["ceiling"] for f in found} == {"undecided"}
    sharpness = {float(f.evidence["sharpness"]) for f in found}
    assert all(value == pytest.approx(SHARPNESS, rel=0.1) for value in sharpness)
    error_db = [abs(float(f.measured["overdrive_db"] or 0) - missing_db(f, wanted)) for f in found]
    assert np.median(error_db) < 0.1
    assert np.percentile(error_db, 90) < 0.5
    # Every figure follows from the finding: the ceiling from plateau, crest and sharpness, and the law between them.
    for f in found:
        level, crest = abs(float(f.measured["plateau_v"] or 0)), abs(float(f.measured["crest_v"] or 0))
        ceiling, k = abs(float(f.evidence["rail_expected_v"])), float(f.evidence["sharpness"])
        assert ceiling == pytest.approx(CEILING_V, rel=0.02)
        assert level == pytest.approx(crest / (1 + (crest / ceiling) ** k) ** (1 / k), rel=1e-6)
        assert float(f.evidence["flank_slope_v_per_s"]) > 0


def test_what_a_bent_crest_lies_at_is_never_called_a_current_limit() -> None:
    table = make_table(np.array([30.0, 27.0, 27.0]))
    table.columns["sharpness"] = np.array([0.0, 0.0, SHARPNESS])
    table = Candidates(table.columns, np.full((3, 4), 12.5), table.output)
    everything, nothing = np.ones(3, dtype=bool), np.zeros(3, dtype=bool)
    side = SideVerdict(everything, np.full(3, 30.0), np.zeros(3), nothing, nothing, nothing, None, None)
    rail = Follower(1.0, 0, {1.0: float(np.log(30 / 12.5))})  # 30 V at 12.5 V of supply, in proportion
    assert name_ceilings(table, side, Followers(rail)) == ["rail", "undecided", "undecided"]  # rails sink in many ways
    assert name_ceilings(table, side, Followers()) == ["undecided"] * 3
    assert name_origins(table, side, Followers(rail)) == ["amplifier", "not decided", "not decided"]
    table.columns["top_kind"] = np.array([0.0, BETWEEN_CORNERS, 0.0])  # nor one that moved between its corners
    assert name_ceilings(table, side, Followers(rail)) == ["rail", "undecided", "undecided"]
    bent = Followers(rail, rail)  # but a soft ceiling that follows the supply is a rail
    assert name_ceilings(table, side, bent) == ["rail", "undecided", "rail"]
    table.columns["limited"] = np.array([0.0, 1.0, 0.5])  # what a load's current says, and a rail behind it
    assert name_ceilings(table, side, Followers(rail)) == ["rail", "current", "undecided"]
    table.columns["limited"] = np.array([1.0, 1.0, 0.5])  # a current held just where the rail is may be either
    assert name_ceilings(table, side, Followers(rail)) == ["undecided", "current", "undecided"]


def test_plateaus_level_with_each_other_are_believed_though_a_pumped_rail_rose_elsewhere() -> None:
    def accepted(share: float, misfit: float = 3.2) -> int:
        level = 40.0 * (1 + share * np.arange(12))
        table = make_table(level)
        values = {"gain": 500.0, "narrow_gain": 100.0, "misfit": misfit, "tilt_v_per_s": 0.1, "noise_v": 0.04}
        values |= dict.fromkeys(("sharpness", "is_coarse", "stay_v"), 0.0)
        for name, value in values.items():
            table.columns[name] = np.full(12, value)
        table.columns["start_s"], table.columns["peak_v"] = 0.02 * np.arange(12), level
        high, lags = np.full(5, 52.0), np.full((5, 4), np.nan)
        crests = HighCrests(np.ones(5), 9.0 + np.arange(5), high, high, lags, np.ones((5, 4)))
        return int(np.count_nonzero(judge_side(table, crests, 1.0).accepted))

    assert accepted(0.0) == 12
    assert accepted(0.02) == 0  # each at a level of its own
    assert accepted(0.0, misfit=6.0) == 0


def test_bent_crests_of_a_quarter_decibel_are_found_and_lower_ones_are_not() -> None:
    wanted, logged = soft_music(6)
    starts = np.array([f.start_s for f in detect(logged).findings])
    crossings = np.flatnonzero(np.diff(np.signbit(wanted)))
    n_true = n_hit = n_low = 0
    for first, last in pairwise(crossings):
        crest = float(np.max(np.abs(wanted[first:last])))
        bent_db = 20 / SHARPNESS * np.log10(1 + (crest / CEILING_V) ** SHARPNESS)
        hit = bool(np.any((starts >= first / HIGH_HZ - 0.001) & (starts < last / HIGH_HZ)))
        n_true += bent_db >= 0.25
        n_hit += hit and bent_db >= 0.25
        n_low += hit and bent_db < 0.15
    assert n_true > 100
    assert n_hit >= 0.9 * n_true
    assert n_low <= 0.02 * n_hit


def test_a_hard_corner_is_no_soft_ceiling() -> None:
    case = make_case("fm_bass", 7, drive_db=4.0, rail="fixed", seconds=12.0)
    findings = detect(case.output_v).findings
    assert findings
    assert all(f.evidence["measured_by"] != "soft law" for f in findings)


@pytest.mark.parametrize("sharpness", [4.5, 10.0, 30.0])
def test_the_law_and_its_inverses_agree(sharpness: float) -> None:
    crest = np.array([0.5, 0.9, 1.0, 1.4]) * CEILING_V
    level = crest / (1 + (crest / CEILING_V) ** sharpness) ** (1 / sharpness)
    np.testing.assert_allclose(compression_db(level / CEILING_V, sharpness), 20 * np.log10(crest / level), atol=1e-9)
    np.testing.assert_allclose(ceiling_of(level, crest, np.full(4, sharpness)), CEILING_V, rtol=1e-6)
    share = share_of_compression(0.25, sharpness)
    assert float(compression_db(np.array([share]), sharpness)[0]) == pytest.approx(0.25)


def test_no_soft_ceiling_is_looked_for_where_straight_tops_fit() -> None:
    # A few half-cycles with a filtered carrier on them, which alone would fit a soft law at k = 42.
    case = clip_sets.make("hostile", "switching residue", 132, 8.0)
    detector = clipping.ClippingDetector()
    for window in case.windows(10.0):
        detector.push(window)
    findings = list(detector.finish().findings)
    assert len(findings) > 30
    assert {f.measured["hardness"] for f in findings} == {"hard"}


@pytest.mark.parametrize("material", ["soft", "full-range"])
def test_second_looks_do_not_depend_on_the_windows(material: str) -> None:
    logged = soft_music(7)[1] if material == "soft" else make_case("full_range", 9, drive_db=9.0, seconds=12.0).output_v
    first = detect(logged, 1.0)
    assert first.findings
    for window_s in (10.0, 60.0):
        assert detect(logged, window_s).findings == first.findings


def test_where_the_logger_is_at_its_rail_no_second_look_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[OneSide] = []
    kept = clipping.find_soft
    monkeypatch.setattr(clipping, "find_soft", lambda sides: (seen.extend(sides), kept(sides))[1])
    _, logged = soft_music(8)
    everything = detect(logged).findings
    assert seen
    first = next(f for f in everything if f.evidence["measured_by"] == "soft law")
    side = next(s for s in seen if (s.sign > 0) == (first.measured["polarity"] == "positive"))
    blocked = np.zeros(len(side.stretch.output_v), dtype=bool)
    blocked[int(first.start_s * RATE_HZ) - 2 : int(first.stop_s * RATE_HZ) + 3] = True
    again = [replace(s, view=replace(s.view, blocked=blocked)) for s in seen[:2]]
    rows = next(rows for rows in kept(again) if rows["sign"][0] == side.sign)
    assert not np.any(np.abs(rows["start_s"] - first.start_s) < 1e-6)


def test_plain_plateaus_that_moved_off_the_rail_keep_each_other_company() -> None:
    tally = score_on_board(clip_sets.make("stages", "switching bridge with residue", 104, 8.0), 0.0005)
    assert tally.n_hit.total() >= 0.9 * tally.n_true.total() > 100  # 0.70 of them where each had to stand alone
    assert tally.n_false == 0


@pytest.mark.parametrize(("most_db", "n_taken"), [(0.0, 0), (0.03, 0), (0.3, 6)])
def test_holds_of_the_current_that_take_nothing_from_any_crest_are_no_limit(most_db: float, n_taken: int) -> None:
    table = make_table(np.linspace(17.0, 30.0, 6))
    for name, value in {"sharpness": 0.0, "limited": 1.0, "is_coarse": 1.0, "gain": 0.0, "stay_v": 0.0}.items():
        table.columns[name] = np.full(6, value)
    table.columns["start_s"] = 0.3 * np.arange(6)
    table.columns["crest_v"] = table["level_v"] * 10 ** (np.array([0, 0, 0, 0, 0, most_db]) / 20)
    none = HighCrests(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0), np.zeros((0, 4)), np.zeros((0, 4)))
    assert np.count_nonzero(judge_side(table, none, 1.0).accepted) == n_taken


@pytest.mark.parametrize(
    ("held_by", "per_supply_v", "per_output_v", "where"),
    [
        ("resistance", 0.1, 0.0, "amplifier"),
        ("resistance", 0.0, -0.08, "amplifier"),
        ("capacitor", 0.1, 0.0, "not decided"),  # what the guessed time constant misses
        ("capacitor", 0.0, -0.08, "not decided"),
        ("capacitor", 2.3, 0.0, "amplifier"),
    ],
)
def test_ahead_of_a_guessed_capacitor_a_slight_rise_or_droop_names_no_amplifier(
    held_by: str, per_supply_v: float, per_output_v: float, where: str
) -> None:
    """Of 76 half-cycles of sources behind a high-pass 34 were called the amplifier's by such a droop."""
    table = make_table(np.full(8, 30.0))
    table.columns["held_by"] = np.full(8, float(HELD_BY.index(held_by)))
    table.columns.update(gain=np.full(8, 500.0), sharpness=np.zeros(8), is_coarse=np.zeros(8))  # plain flats
    table.columns["supply_v"] = np.full(8, 12.5)
    everything, nothing = np.ones(8, dtype=bool), np.zeros(8, dtype=bool)
    rail = Rail(30.0, per_supply_v, 0.0, per_output_v, 0, 0.02, 19, 0.7, 0.02)
    side = SideVerdict(everything, np.full(8, 30.0), np.zeros(8), nothing, nothing, nothing, None, None)
    assert name_origins(table, replace(side, rail=rail), Followers()) == [where] * 8


@pytest.mark.filterwarnings("error")
def test_a_rail_without_a_clip_of_its_polarity_names_nothing() -> None:
    table = make_table(np.full(3, 30.0))
    nothing = np.zeros(3, dtype=bool)
    rail = Rail(30.0, 0.1, 0.0, 0.0, 0, 0.02, 19, 0.7, 0.02)
    side = SideVerdict(nothing, np.full(3, 30.0), np.zeros(3), nothing, nothing, nothing, rail)
    assert name_origins(table, side, Followers()) == []
