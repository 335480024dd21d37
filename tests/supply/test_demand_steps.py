"""Rises of the demand that let a supply's time constants show."""

from __future__ import annotations

import numpy as np
from ampwitness.detect.supply.demand_steps import count_rises
from ampwitness.findings.supply_words import word_supply


def test_rises_are_counted_once_each_and_not_across_a_gap() -> None:
    index = np.arange(1000)
    bursts = np.where(index % 100 < 50, 0.0, 4.0)  # half a second each
    assert count_rises(bursts, index) == 10
    assert count_rises(np.sin(np.pi * index / 1000) ** 2, index) == 0  # swells for five seconds
    kept = (index % 100 < 40) | (index % 100 >= 50)  # the rise itself falls into a gap
    assert count_rises(bursts[kept], index[kept]) == 0
    assert count_rises(bursts[:3], index[:3]) == 0


def test_a_gentle_demand_is_said_to_show_no_time_constants() -> None:
    state = {"open_v": 12.6, "lowest_v": 12.4, "judged_s": 40.0, "source_ohm": None, "not_judged": "why",
             "time_constants": [],
             "time_constants_not_judged": "what the amplifier takes rose within 50 ms at no time"}  # fmt: skip
    terms = [{"what": what, "time_constant_s": lag_s, "share": share}
             for what, lag_s, share in (("at once", 0.001, 1.0), ("through a store (capacitor)", 0.02, 0.74),
                                        ("recovering (regulator)", 0.8, -0.31))]  # fmt: skip
    told = word_supply({"supply": {"states": {"at rest": {**state, "time_constants": terms}}}})
    assert (
        "At rest: behind what it sags at once: another 74 % of that through a store (capacitor), time constant about "
        "0.02 s; 31 % of that back, recovering (regulator), time constant about 0.8 s."
    ) in told
    more = [{"what": "slowly (the battery itself)", "time_constant_s": 0.6, "share": 4.26}]
    told = word_supply({"supply": {"states": {"at rest": {**state, "time_constants": more}}}})
    assert any("4.3 times as much again slowly (the battery itself)" in line for line in told)
    (said,) = (s for s in word_supply({"supply": {"states": {"at rest": state}}}) if "how fast" in s)
    assert said == "At rest: how fast it answers was not judged: what the amplifier takes rose within 50 ms at no time."
