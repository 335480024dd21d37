"""Findings as rows: the same as findings in a list, whatever is asked."""

from __future__ import annotations

import json
import pickle
import tracemalloc
from dataclasses import replace

import jsonschema
import numpy as np
import pytest
from ampwitness import finding_list
from ampwitness.detect.clips.found_clips import NUMBERS, ClipTable
from ampwitness.detect.clips.table.clip_stream import OUTPUT_LAGS_S, SUPPLY_LAGS_S
from ampwitness.detect.notes.note_table import NoteTable, RowView
from ampwitness.finding_list import FindingList, KeptTable
from ampwitness.findings import as_json
from ampwitness.findings.as_json import analysis_to_json, iter_json, read_schema
from ampwitness.findings.from_json import analysis_from_json
from ampwitness.findings.selection import choose_listed, find_bursts, find_worst_places, rank_places
from ampwitness.findings.wording import find_worst, word_verdict
from ampwitness.pieces import Column, Pieces
from ampwitness.types import Analysis, Finding


def make_findings(n: int, kind: str = "note", seed: int = 1) -> list[Finding]:
    rng = np.random.default_rng(seed)
    out = []
    for at in range(n):
        start_s = float(rng.uniform(0, 100)) if at % 5 else 7.0
        sag_v = None if at % 7 == 0 else round(float(rng.uniform(0, 1)), 1)  # many are equal
        measured = {"sag_v": sag_v, "level_v": float(at % 3), "pitch_name": "A1" if at % 2 else "B1", "is_on": True}
        measured["sag_own_v"] = None if sag_v is None or at % 11 == 3 else sag_v if at % 3 else sag_v / 2
        out.append(Finding(kind, start_s, start_s + 0.1, "information", measured, {"floor_v": 0.2}, {"n": at}))
    return out


def kept(findings: list[Finding]) -> KeptTable:
    table = KeptTable("note", ("sag_own_v", "sag_v"))
    for at in range(0, len(findings), 100):
        table.extend(findings[at : at + 100])
    return table


def test_kept_findings_come_back_by_start_and_kind() -> None:
    notes, dips = make_findings(1700), make_findings(9, "dip", seed=2)
    listed = FindingList([kept(notes), dips])
    wanted = sorted([*notes, *dips], key=lambda f: (f.start_s, f.kind))
    assert len(listed) == 1709
    assert listed == wanted
    assert list(listed[5:9]) == wanted[5:9]
    assert listed[-1] == wanted[-1]
    assert listed.n_of("dip") == 9
    assert listed.kinds == tuple(dict.fromkeys(f.kind for f in wanted))
    only = listed.of_kind("dip")
    assert list(only) == [f for f in wanted if f.kind == "dip"]
    assert [wanted[number - 1] for number in only.numbers] == list(only)
    assert listed.number_of(wanted[40]) == wanted.index(wanted[40]) + 1
    assert listed == pickle.loads(pickle.dumps(listed))
    assert listed != wanted[:-1]


def test_columns_are_those_of_the_findings() -> None:
    notes = make_findings(1200)
    listed = FindingList([kept(notes)])
    for key in ("sag_v", "level_v", "is_on", "nothing"):
        values = [f.measured.get(key) for f in listed]
        wanted = [np.nan if v is None or isinstance(v, bool) else v for v in values]
        np.testing.assert_array_equal(listed.values(key), wanted)
    assert listed.texts("pitch_name") == {"A1": 600, "B1": 600}
    assert listed[::2].texts("pitch_name").total() == 600
    np.testing.assert_array_equal(listed.stop_s, [f.stop_s for f in listed])


def test_a_part_of_one_kind_asks_no_other_table(monkeypatch: pytest.MonkeyPatch) -> None:
    notes, dips = make_findings(300), make_findings(9, "dip", seed=2)
    listed = FindingList([kept(notes), dips])
    for part in (listed.of_kind("note"), listed.of_kind("note")[::3], listed[::2].of_kind("note")):
        wanted = [finding for finding in part if finding.kind == "note"]
        np.testing.assert_array_equal(part.start_s, [finding.start_s for finding in wanted])
        np.testing.assert_array_equal(part.values("level_v"), [finding.measured["level_v"] for finding in wanted])
        assert (part.kinds, part.n_of("note"), part.n_of("dip")) == (("note",), len(wanted), 0)
        assert part.of_kind("dip").kinds == ()
        assert sum(part.texts("pitch_name").values()) == len(wanted)
    monkeypatch.setattr(finding_list.PlainTable, "numbers", lambda *_: pytest.fail("asked the dips"))
    assert len(listed.of_kind("note").values("level_v")) == 300


def test_the_worst_are_chosen_as_from_a_plain_list() -> None:
    notes = sorted(make_findings(900), key=lambda f: f.start_s)
    ranked = sorted(
        enumerate(notes, start=1),
        key=lambda one: (*(-1.0 if one[1].measured[name] is None else one[1].measured[name]
                           for name in ("sag_own_v", "sag_v")),
                         one[1].measured["level_v"], one[1].stop_s - one[1].start_s),
        reverse=True,
    )  # fmt: skip
    assert choose_listed(FindingList([kept(notes)]), 50)["note"] == tuple(sorted(ranked[:50], key=lambda one: one[0]))
    worst = find_worst(FindingList([kept(notes)]), "note")
    assert worst == max(notes, key=lambda f: f.measured["sag_own_v"] or 0.0)


def test_a_plain_list_keeps_its_order_and_numbers() -> None:
    findings = [*make_findings(20), *make_findings(5, "dip"), *make_findings(3, seed=9)]
    listed = FindingList.of(findings)
    assert list(listed) == findings
    assert FindingList.of(listed) is listed
    assert listed.of_kind("dip").numbers.tolist() == [21, 22, 23, 24, 25]
    assert listed.number_of(findings[26]) == 27
    with pytest.raises(ValueError, match="no such finding"):
        listed.number_of(make_findings(1, "gap")[0])


def test_a_finding_read_back_keeps_no_table_of_others() -> None:
    numbers = NoteTable({"level_v": np.arange(600.0)}, {}, {"pitch_name": ["A1"] * 600}, {})
    table = KeptTable("note", ())
    table.extend([Finding("note", at, at + 0.1, "information", RowView(numbers, at), {}, {}) for at in range(600)])
    assert table.read(7).measured == {"level_v": 7.0, "pitch_name": "A1"}
    assert type(table.read(7).measured) is dict


def test_a_yes_or_no_is_a_column_beside() -> None:
    notes = [replace(f, measured={**f.measured, "is_on": (True, False, None)[at % 3]}) for at, f in
             enumerate(sorted(make_findings(1300), key=lambda f: f.start_s))]  # fmt: skip
    table = KeptTable("note", (), ("is_on",))
    table.extend(notes)
    listed = FindingList([table])
    wanted = [{True: 1.0, False: 0.0, None: np.nan}[note.measured["is_on"]] for note in listed]
    for flags in (listed.flags("is_on"), FindingList([notes]).flags("is_on")):
        np.testing.assert_array_equal(flags, wanted)


def test_a_line_of_json_is_the_same_however_it_is_written() -> None:
    for measured in (
        {"a": 1.5, "b": [1, None, True]},
        {"a": float("nan")},
        {"a": np.arange(2.0), "b": (1, np.int64(3))},
    ):
        one = Finding("note", 1.0, np.float64(2.0), "information", measured, {"d": 1}, {})
        plain = json.loads(as_json._finding_to_line(4, one))
        assert plain == as_json._finding_to_plain(4, one)


def test_pieces_are_the_same_in_memory_and_in_a_file() -> None:
    pieces = Pieces(most_bytes=100)
    wanted = [bytes([at]) * (at * 7) for at in range(30)]
    for piece in wanted:
        pieces.append(piece)
    order = np.random.default_rng(3).permutation(30).tolist()
    assert [pieces.read(at) for at in order] == [wanted[at] for at in order]
    again = pickle.loads(pickle.dumps(pieces))
    assert [again.read(at) for at in range(len(again))] == wanted


def test_an_empty_list_answers_too() -> None:
    empty = FindingList([])
    assert len(empty) == 0
    assert not empty
    assert empty == []
    assert empty.kinds == ()
    assert empty.of_kind("clip").values("overdrive_db").shape == (0,)
    assert find_worst(empty, "clip") is None
    assert finding_list.number_or_nan("7") != finding_list.number_or_nan(7)


def test_bursts_bridge_no_wider_gaps_than_they_must() -> None:
    start_s = np.cumsum([0.0, 1.5, 3.0, 6.0, 12.0])  # moments with gaps of 1.5, 3, 6 and 12 s
    for most, wanted, near_s in ((5, [0, 1, 2, 3, 4], 1.0), (4, [0, 2, 3, 4], 2.0), (2, [0, 4], 8.0)):
        first, ends_s, came_to_s = find_bursts(start_s, start_s, 1.0, most)
        assert first.tolist() == wanted
        assert ends_s.tolist() == [start_s[place - 1] for place in [*wanted[1:], 0]]
        assert came_to_s == near_s


@pytest.mark.parametrize("is_measured", [True, False])
def test_the_worst_few_are_those_of_all(is_measured: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Many are equally bad by what ranks first; without that all are."""
    monkeypatch.setattr(finding_list, "_AT_ONCE", 37)
    notes = make_findings(400)
    if not is_measured:
        notes = [replace(f, measured={"level_v": f.measured["level_v"]}) for f in notes]
    listed = FindingList([kept(notes), make_findings(50, "dip")]).of_kind("note")
    whole = rank_places(listed).tolist()
    for most in (1, 30, 99, 300):
        assert rank_places(listed, most).tolist() == whole[:most]
    first = np.array([0, 3, 150])
    worst = [min(range(a, b), key=whole.index) for a, b in zip(first, [*first[1:], 400], strict=True)]
    assert find_worst_places(listed, first).tolist() == worst
    alone = first[:1]  # one stretch, whose worst nothing equals
    single = listed.take(np.array([place for place in range(400) if place == whole[0] or place not in whole[:60]]))
    assert find_worst_places(single, alone).tolist() == rank_places(single, 1).tolist()


def test_of_very_many_the_worst_are_listed_and_all_are_gathered(
    small_analysis: Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    notes = sorted(make_findings(300), key=lambda f: f.start_s)
    analysis = replace(small_analysis, findings=FindingList([kept(notes), make_findings(3, "dip")]))
    every = json.loads("".join(iter_json(analysis, every_finding=True)))
    assert every == json.loads("".join(iter_json(analysis))) == analysis_to_json(analysis)
    lines = "".join(iter_json(analysis)).splitlines()
    assert sum(json.loads(line.strip().rstrip(",")) in every["findings"] for line in lines if '"kind"' in line) == 303
    monkeypatch.setattr(as_json, "MOST_OF_A_KIND", 40)
    monkeypatch.setattr(as_json, "MOST_BURSTS", 12)
    plain = analysis_to_json(analysis)
    assert plain == json.loads("".join(iter_json(analysis)))
    jsonschema.validate({**plain, "findings": []}, read_schema())  # the made notes lack what the schema asks of notes
    of_kind = choose_listed(analysis.findings, 40)
    assert [one["number"] for one in plain["findings"]] == sorted(
        number for listed in of_kind.values() for number, _ in listed
    )
    gathered = plain["gathered"]
    assert list(gathered) == ["note"]
    assert (gathered["note"]["n_found"], gathered["note"]["n_listed"]) == (300, 40)
    bursts = gathered["note"]["bursts"]
    assert 1 <= len(bursts) <= 12
    assert sum(burst["n"] for burst in bursts) == 300
    for burst in bursts:  # each figure again from every finding
        inside = [
            one
            for one in every["findings"]
            if one["kind"] == "note" and burst["start_s"] <= one["start_s"] < burst["stop_s"]
        ]
        assert len(inside) == burst["n"]
        assert burst["total_s"] == pytest.approx(sum(one["stop_s"] - one["start_s"] for one in inside))
        worst = max(inside, key=lambda one: one["measured"]["sag_own_v"] or -1.0)
        assert burst["worst_sag_own_v"] == worst["measured"]["sag_own_v"]
        assert every["findings"][burst["worst_number"] - 1]["measured"]["sag_own_v"] == worst["measured"]["sag_own_v"]
    again = analysis_from_json(plain)
    assert word_verdict("note", again.findings, None).sentence.startswith("300 bass notes found")


def test_a_column_gives_what_it_took_and_keeps_only_its_end_in_memory() -> None:
    column, wanted = Column(), np.arange(9000.0) ** 2
    for at in range(0, 9000, 700):
        column.append(wanted[at : at + 700])
    given = column.values
    np.testing.assert_array_equal(given, wanted)
    assert column.values is given
    column.append(np.array([1.5]))
    assert len(column) == len(column.values) == 9001
    np.testing.assert_array_equal(given, wanted)  # whoever holds the old ones is left alone
    np.testing.assert_array_equal(pickle.loads(pickle.dumps(column)).values[-2:], [wanted[-1], 1.5])
    assert sum(map(len, column._rest)) < 4096


def test_a_long_list_keeps_a_few_bytes_a_finding() -> None:
    table = ClipTable.empty()
    rows = {name: np.zeros(50_000) for name in NUMBERS} | {"start_s": np.arange(50_000.0)}
    tracemalloc.start()
    table.add(rows, np.zeros((50_000, len(SUPPLY_LAGS_S))), np.zeros((50_000, len(OUTPUT_LAGS_S))))
    listed = FindingList([table])
    clips = listed.of_kind("clip")
    held, _ = tracemalloc.get_traced_memory()
    tracemalloc.reset_peak()
    assert not table.column("sign").any()
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < held + 3_000_000  # a column, and not the table
    assert held < 50_000 * 20 + 1_500_000  # 4 of the list, 8 of its part; the rest does not grow
    assert clips.start_s[-1] == 49_999.0


def test_a_row_taken_as_a_whole_is_what_its_keys_give_one_by_one() -> None:
    table = NoteTable(
        {"level_v": np.array([1.5, np.nan])},
        {"is_struck": np.array([1.0, np.nan])},
        {"how": ["plucked", ""]},
        {"partials_hz": [(40.0, 80.0), ()]},
    )
    for row in range(2):
        view = RowView(table, row)
        assert view.to_dict() == {key: view[key] for key in view}
    assert RowView(table, 1).to_dict() == {"level_v": None, "is_struck": None, "partials_hz": []}
