"""Clips as rows: columns and findings say the same, causes by columns are those of the findings."""

from __future__ import annotations

import pickle
from collections import Counter
from functools import lru_cache

import numpy as np
import pytest
from ampwitness.detect.clips.cause.ceiling_fit import CeilingFit
from ampwitness.detect.clips.found_clips import NUMBERS, SIDES, ClipTable
from ampwitness.detect.clips.table.clip_candidates import CEILINGS, NOT_ASKED, PLACES, SHAPES
from ampwitness.detect.supply.supply_model import SupplyModel

N = 2500


def make_table(seed: int = 5, *, has_supply: bool = True) -> ClipTable:
    rng = np.random.default_rng(seed)
    not_drawn = ("n_compared", "source_says", "supply_early_v")
    columns = {name: rng.uniform(0.1, 2.0, N) for name in NUMBERS if name not in not_drawn}
    supply = rng.uniform(11.0, 13.0, (N, 4))
    columns |= {
        "sign": rng.choice([-1.0, 1.0], N),
        "start_s": np.sort(rng.uniform(0, 100, N)),
        "level_v": 3 * supply[:, 1] + 0.01 * rng.standard_normal(N),
        "overdrive_db": rng.uniform(0.0, 1.5, N),
        "tilt_v_per_s": rng.normal(0, 20, N),
        "shape": rng.integers(0, len(SHAPES), N).astype(float),
        "where": rng.choice(len(PLACES), N, p=[0.8, 0.1, 0.1]).astype(float),
        "ceiling": rng.choice(len(CEILINGS), N, p=[0.1, 0.8, 0.1]).astype(float),
        **{name: rng.choice([0.0, 10.0], N, p=[0.95, 0.05]) for name in ("sharpness", "top_kind", "limited")},
        "held_by": rng.integers(0, 2, N).astype(float),
        "source_says": np.full(N, float(NOT_ASKED)),
        "n_compared": np.where(np.arange(N) % 3, 300.0, 0.0),
        "supply_v": np.where(rng.uniform(size=N) < 0.1, np.nan, supply[:, 0]),
    }
    columns["supply_early_v"] = columns["supply_v"] + 0.01
    columns["stop_s"] = columns["start_s"] + rng.uniform(0.001, 0.01, N)
    columns["crest_v"] = columns["level_v"] * 10 ** (columns["overdrive_db"] / 20)
    columns["expected_v"][::5] = np.nan
    supply[::11] = np.nan
    return ClipTable(columns, supply if has_supply else np.full((N, 4), np.nan), rng.uniform(0, 9, (N, 4)))


def make_model() -> SupplyModel:
    return SupplyModel(
        states={},
        demand_unit="V",
        change_s=np.array([0.0, 40.0, 60.0]),
        change_state=("at rest", "charging", "at rest"),
        settled_s={"at rest": np.array([1.0, 70.0]), "charging": np.array([])},
        settled_v={"at rest": np.array([12.6, 12.4]), "charging": np.array([])},
        has_output=True,
    )


def test_columns_are_those_of_the_findings() -> None:
    table = make_table()
    findings = [table.read(row) for row in range(N)]
    for key in ("overdrive_db", "overdrive_high_db", "flat_s", "plateau_v", "supply_v"):
        wanted = [np.nan if (v := f.measured[key]) is None else v for f in findings]
        np.testing.assert_array_equal(table.numbers(key), wanted)
    for key in ("polarity", "hardness", "ceiling"):
        assert table.texts(key) == Counter(f.measured[key] for f in findings)
    assert table.texts("cause") == Counter()
    again = pickle.loads(pickle.dumps(table))
    assert again.read(1500) == findings[1500]


def test_what_a_report_asks_of_all_clips_makes_no_finding(monkeypatch: pytest.MonkeyPatch) -> None:
    """To make one takes 35 us: a day's 600,000 clips would cost 21 s each time they are asked."""
    table = make_table()
    monkeypatch.setattr(ClipTable, "read", lambda *_: pytest.fail("a finding was made"))
    for key in ("overdrive_db", "overdrive_high_db", "flat_s", "plateau_v", "is_source"):
        assert np.isfinite(table.numbers(key)).all()
    assert table.texts("polarity").total() == N


def test_a_clip_says_the_same_alone_and_among_its_neighbours() -> None:
    bent = CeilingFit("follows supply", 1.0, 2.9, 0.05, 12.3, 1.25, 0.01, 99, 1e-4, 1e-3)
    judged = make_table(7).with_causes(dict.fromkeys(SIDES, bent), make_model())
    in_turn = [judged.read(row) for row in range(N)]
    rows = np.random.default_rng(8).permutation(N).tolist()
    assert [judged.read(row) for row in rows] == [in_turn[row] for row in rows]


@lru_cache(maxsize=1)
def learned_ceilings() -> dict[str, CeilingFit]:
    return make_table().learn_ceilings()


def test_ceilings_are_learned_from_rows_that_know_their_supply() -> None:
    for fit in learned_ceilings().values():
        assert fit.ratio == pytest.approx(3.0, rel=0.03)
    assert make_table(has_supply=False).learn_ceilings() == {}


@pytest.mark.parametrize("name", ["top_kind", "limited", "sharpness"])
def test_what_has_no_level_teaches_no_ceiling(name: str) -> None:
    table, fits = make_table(), learned_ceilings()
    rows = np.concatenate([table._block(at) for at in range(table._n_blocks)])
    odd = np.arange(N) % 3 == 0
    rows[odd, NUMBERS.index("level_v")] *= 0.6
    rows[:, [NUMBERS.index(key) for key in ("top_kind", "limited", "sharpness")]] = 0.0
    rows[odd, NUMBERS.index(name)] = 1.0
    columns = {key: rows[:, at] for at, key in enumerate(NUMBERS)}
    mixed = ClipTable(columns, rows[:, len(NUMBERS) : len(NUMBERS) + 4], rows[:, len(NUMBERS) + 4 :])
    fit = mixed.learn_ceilings()["positive"]
    assert fit.ratio == pytest.approx(fits["positive"].ratio, rel=0.03)
    assert fit.constant_v == pytest.approx(fits["positive"].constant_v, abs=0.5)


def test_what_a_rails_resistance_takes_is_left_to_the_ceilings_fit_and_what_a_capacitor_holds_is_added() -> None:
    """Beside a supply that sags as the output pulls, a share of the output fits tops as well as their supply does."""
    table = make_table()
    rows = np.concatenate([table._block(at) for at in range(table._n_blocks)])
    columns = {key: rows[:, at].copy() for at, key in enumerate(NUMBERS)}
    columns["held_v"] = 20.0 - 3.0 * np.nan_to_num(rows[:, len(NUMBERS) + 1], nan=12.0) / 2
    fits = []
    for is_coupled in (0.0, 1.0):
        columns["held_by"] = np.full(N, is_coupled)
        columns["level_v"] = rows[:, NUMBERS.index("level_v")] + (1 - is_coupled) * columns["held_v"]
        mixed = ClipTable(columns, rows[:, len(NUMBERS) : len(NUMBERS) + 4], rows[:, len(NUMBERS) + 4 :])
        fits.append(mixed.learn_ceilings()["positive"])
        by = mixed.read(0).evidence["held_back_by"]
        assert by == ("capacitor" if is_coupled else "resistance")
    assert [fit.ratio for fit in fits] == pytest.approx([3.0, 3.0], rel=0.03)


@pytest.mark.parametrize("known", ["both", "one", "none", "no model"])
def test_causes_by_columns_are_those_of_the_findings(known: str) -> None:
    table = make_table(6)
    bent = CeilingFit("follows supply", 1.0, 2.9, 0.05, 12.3, 1.25, 0.01, 99, 1e-4, 1e-3)
    ceilings = dict(zip(SIDES, [bent] * {"both": 2, "no model": 2, "one": 1, "none": 0}[known], strict=False))
    model = None if known == "no model" else make_model()
    judged = table.with_causes(ceilings, model)
    wanted = [judged.read(row) for row in range(N)]
    lost_db = [np.nan if (v := f.evidence["lost_to_sag_db"]) is None else v for f in wanted]
    np.testing.assert_allclose(judged.lost_to_sag_db, lost_db, rtol=1e-12)
    said = {
        "drive": ("too little to matter", "had lost", "a current limit"),
        "supply": ("had lost",),
        "both": ("had lost",),
        "not decidable": ("not known", "is known to", "was not recorded", "before the amplifier"),
    }
    for f in wanted:
        assert any(words in f.evidence["cause_reason"] for words in said[str(f.measured["cause"])])
    counts = Counter(str(f.measured["cause"]) for f in wanted)
    assert judged.texts("cause") == counts
    some = np.arange(0, N, 3)
    assert judged.texts("cause", some) == Counter(str(wanted[row].measured["cause"]) for row in some)
    in_source = np.array([f.measured["origin"] == "source" for f in wanted])
    np.testing.assert_array_equal(judged.numbers("is_source") > 0, in_source)
    assert len(counts) >= {"both": 4, "one": 3, "none": 2, "no model": 1}[known]
    lost_db = [np.nan if (v := f.evidence["lost_to_sag_db"]) is None else v for f in wanted]
    np.testing.assert_allclose(judged.lost_to_sag_db, lost_db, rtol=1e-9, atol=1e-12)
