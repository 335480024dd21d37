"""Checks of the board's hardware-free modules. Runs alike under CPython and MicroPython.

    INTERPRETER board_checks.py FIRMWARE_DIR PROTOCOL_DIR THIS_DIR

Prints `ok NAME` or `FAILED NAME: why` for each function check_NAME; test_board_program.py reads that.
"""

# ruff: noqa: UP031, RUF007, B905 (MicroPython has no itertools.pairwise and no zip(strict=))

import gc
import json
import sys

sys.path[:0] = sys.argv[1:4]
IS_MICROPYTHON = sys.implementation.name == "micropython"

from array import array  # noqa: E402

from ampwire import cobs, crc, framing, groups, layout, messages  # noqa: E402
from board_fakes import RING, Bench, FakeConfig, FakePort, FakeSource, PullingSource, code_of  # noqa: E402
from logger import (  # noqa: E402
    average,
    clock,
    commands,
    edges,
    frame_path,
    framer,
    hello,
    json_text,
    kept_calibration,
    kernels,
    kernels_plain,
    lamp,
    marks,
    self_test,
    session,
    status,
    thermometer,
    transmit_queue,
)

TABLE = kernels.make_crc_table()
KERNELS = [kernels_plain] + ([kernels] if IS_MICROPYTHON else [])


class Random:
    """The same numbers under every interpreter: xorshift32."""

    def __init__(self, seed):
        self._state = seed

    def below(self, n):
        x = self._state
        x ^= (x << 13) & 0xFFFFFFFF
        x ^= x >> 17
        x ^= (x << 5) & 0xFFFFFFFF
        self._state = x
        return x % n


def same(got, expected, what=""):
    if got != expected:
        raise AssertionError("%s: got %r, expected %r" % (what, got, expected))


def true(condition, what):
    if not condition:
        raise AssertionError(what)


# ---- kernels ---------------------------------------------------------------------------------------------------------


def check_kernels_are_machine_code_under_micropython():
    if IS_MICROPYTHON:
        true(
            kernels.average_scans is not kernels_plain.average_scans, "the twin is in use where machine code should be"
        )


def _average_slowly(codes, place, n_channels, averaging, shift, n_scans, n_slots):
    counts, rails = [], [0] * (2 * n_channels)
    for scan in range(n_scans):
        for channel in range(n_channels):
            total = 0
            for k in range(averaging):
                code = codes[(place + (scan * averaging + k) * n_slots + channel) % len(codes)]
                total += code
                rails[2 * channel] += code == 0
                rails[2 * channel + 1] += code == 4095
            counts.append(total >> shift)
    return counts, [0x80 + min(127, n) for n in rails]


def _run_average(kernel, codes, place, n_channels, averaging, shift, n_scans, n_slots, as_bytes):
    ring = array("H", codes)
    if as_bytes:
        ring = bytearray(bytes(memoryview(ring).cast("B")) if not IS_MICROPYTHON else bytes(ring))
    out = bytearray(2 * n_channels * n_scans)
    rails = bytearray([0x80] * (2 * n_channels))
    p = array("i", (place, len(codes), n_channels, averaging, shift, n_scans, n_slots))
    kernel.average_scans(ring, out, rails, p)
    counts = [out[i] | out[i + 1] << 8 for i in range(0, len(out), 2)]
    return counts, list(rails), p[0]


def check_average_against_a_slow_sum():
    random = Random(20260101)
    for trial in range(120):
        n_channels = 1 + random.below(5)
        averaging = 1 + random.below(33)
        n_scans = 1 + random.below(9)
        n_ring = 2048
        kind = trial % 4
        if kind == 0:
            codes = [random.below(4096) for _ in range(n_ring)]
        elif kind == 1:
            codes = [(0, 4095, 1, 4094, 2048)[random.below(5)] for _ in range(n_ring)]
        else:
            codes = [0 if kind == 2 else 4095] * n_ring
        place = (n_ring - random.below(40)) % n_ring if trial & 1 else random.below(n_ring)
        shift = average.shift_for(averaging)
        n_slots = n_channels + random.below(2)
        expected = _average_slowly(codes, place, n_channels, averaging, shift, n_scans, n_slots)
        stop = (place + n_slots * averaging * n_scans) % n_ring
        for kernel in KERNELS:
            for as_bytes in (False, True):
                counts, rails, at = _run_average(
                    kernel, codes, place, n_channels, averaging, shift, n_scans, n_slots, as_bytes
                )
                same((counts, rails), expected, "trial %d" % trial)
                same(at, stop, "place after it")


def check_sums_fit_16_bits():
    for averaging in range(1, 300):
        shift = average.shift_for(averaging)
        true((4095 * averaging) >> shift <= 0xFFFF, "too large")
        true(shift == 0 or (4095 * averaging) >> (shift - 1) > 0xFFFF, "shifted more than needed")


def check_crc_against_published_values():
    # "123456789": the check value in every catalogue of CRCs; the others computed with zlib, crccheck and crcmod alike.
    for text, value in (
        (b"123456789", 0xCBF43926),
        (b"", 0x00000000),
        (b"\x00", 0xD202EF8D),
        (b"abc", 0x352441C2),
        (bytes(32), 0x190A55AD),
        (b"\xff" * 32, 0xFF6CAB0B),
        (bytes(range(32)), 0x91267E8A),
        (b"The quick brown fox jumps over the lazy dog", 0x414FA339),
    ):
        for kernel in KERNELS:
            dst = bytearray(4)
            kernel.crc_into(text, len(text), TABLE, dst)
            same(dst[0] | dst[1] << 8 | dst[2] << 16 | dst[3] << 24, value, text)


def check_crc_against_binascii():
    random = Random(7)
    for n in range(1, 260, 7):
        raw = bytes([random.below(256) for _ in range(n)])
        for kernel in KERNELS:
            dst = bytearray(4)
            kernel.crc_into(raw, n, TABLE, dst)
            same(dst[0] | dst[1] << 8 | dst[2] << 16 | dst[3] << 24, crc.crc32(raw), "n %d" % n)


def check_cobs_against_ampwire_at_every_wrap():
    random = Random(99)
    cases = [b"", b"\x00", b"\x00\x00", bytes(range(1, 255)), bytes(range(1, 256)), bytes(range(2, 256)) + b"\x00"]
    cases += [bytes(range(1, 255)) + b"\x00", b"\x01" * 508, b"\x01" * 509, b"\x00" * 300]
    for _ in range(30):
        cases.append(bytes([random.below(3) and random.below(256) for _ in range(random.below(600))]))
    for case in cases:
        expected = cobs.encode(case) + b"\x00"
        for kernel in KERNELS:
            for head in (0, 1000, 1023, 1024 - len(expected) if len(expected) < 1024 else 5):
                ring = bytearray(b"\xee" * 1024)
                p = array("i", (head, 1023))
                kernel.cobs_into_ring(case, len(case), ring, p)
                got = bytes([ring[(head + i) & 1023] for i in range(len(expected))])
                same(got, expected, "head %d" % head)
                same(p[0], (head + len(expected)) & 1023, "head after it")
                same(ring[p[0]], 0xEE, "byte behind it")
                back = bytearray(len(expected))
                kernel.copy_from_ring(ring, back, len(back), array("i", (head, 1023)))
                same(bytes(back), expected, "copied back")


def check_groups_step_over_every_carry():
    for n_bytes, value, step in (
        (7, (1 << 30) - 20, 38),
        (7, (1 << 32) - 20, 38),
        (7, (1 << 49) - 1, 1),
        (4, (1 << 28) - 1, 1),
        (7, 0, (1 << 29)),
        (7, (1 << 35) - 1, 0),
        (7, 127, 1),
    ):
        for kernel in KERNELS:
            buf = bytearray(10)
            groups.put_groups(buf, 1, n_bytes, value)
            kernel.step_groups(buf, 1, n_bytes, step)
            same(groups.get_groups(buf, 1, n_bytes), (value + step) % (1 << (7 * n_bytes)), "sum")
            same((buf[0], buf[n_bytes + 1]), (0, 0), "neighbours")


# ---- small modules ---------------------------------------------------------------------------------------------------


def check_clock_over_its_wrap():
    same(clock.elapsed(5, 0x3FFFFFFF - 4), 10, "elapsed")
    up = clock.Uptime((1 << 30) - 1500)
    up.update((1 << 30) - 1)
    up.update(2000)
    same((up.seconds, up.milliseconds), (3, 500), "uptime")
    every = clock.Every(1000, (1 << 30) - 500)
    true(not every.is_due(499), "too early")
    true(every.is_due(500), "due over the wrap")
    every.done(500)
    true(not every.is_due(1499) and every.is_due(1500), "next period")
    every.done(90000)
    true(not every.is_due(90500), "late calls pile up")


def check_counters_stop_at_the_small_integers():
    counters = status.Counters()
    counters.add(status.OVERRUN_SCANS, (1 << 30) - 5)
    counters.add(status.OVERRUN_SCANS, 3)
    same(counters.values[status.OVERRUN_SCANS], (1 << 30) - 2, "below")
    for n in (1, 1, (1 << 30) - 1):
        counters.add(status.OVERRUN_SCANS, n)
    same(counters.values[status.OVERRUN_SCANS], (1 << 30) - 1, "stopped")
    counters.add(status.FIFO_OVERFLOWS, 2)
    counters.begin_session()
    same((counters.values[status.OVERRUN_SCANS], counters.values[status.FIFO_OVERFLOWS]), (0, 2), "new session")


def check_numbers_in_place_are_json():
    text = "{" + json_text.field("a") + "," + json_text.field("b") + "}"
    for value in (0, 1, 9, 10, 99, 12345, (1 << 30) - 1, -1, -40, -((1 << 30) - 1)):
        for n_decimals in (0, 1, 2, 3):
            buf = bytearray(text.encode())
            json_text.put_number(buf, json_text.place(text, "a"), 999999999)
            json_text.put_decimal(buf, json_text.place(text, "a"), value, n_decimals)
            json_text.put_word(buf, json_text.place(text, "b"), b"null")
            read = json.loads(bytes(buf).decode())
            true(abs(read["a"] - value / 10**n_decimals) < 1e-6, "%r read as %r" % (value, read["a"]))
            same(read["b"], None, "word")


def check_sessions_differ():
    drawn = [bytes([1, 2, 3, 4]), bytes([5, 0])] * 3
    names, tags = set(), []
    fixed = session.Session(lambda n: drawn[1] if n == 2 else bytes([len(tags), 0, 0, 9]))
    for _ in range(3):
        fixed.begin()
        names.add(fixed.name)
        tags.append(fixed.tag)
    same(len(names), 3, "names")
    true(tags[0] != tags[1] != tags[2] and 0 not in tags, "tags %r" % tags)
    zero = session.Session(lambda n: bytes([0] * n) if n == 2 else bytes([1] * n))
    zero.begin()
    true(zero.tag != 0, "tag 0 means no session")


def check_button_counts_presses_and_no_bounces():
    button = marks.Button()
    presses = []
    for now_ms, pressed in ((0, 0), (1, 1), (2, 0), (3, 1), (10, 1), (20, 0), (30, 0), (50, 1), (85, 0), (100, 1)):
        if button.is_new_press(pressed, now_ms):
            presses.append(now_ms)
    same(presses, [1], "bounces")
    for now_ms in (101, 150, 200, 240):
        button.is_new_press(0, now_ms)
    true(button.is_new_press(1, 250), "a second press")


def check_lamp_patterns_differ():
    seen = [tuple([lamp.is_on(state, ms) for ms in range(0, 2000, 20)]) for state in range(5)]
    same(len(set(seen)), 5, "patterns")


def check_lines_report_changes_only():
    class Pins:
        now = 0

        def level(self, pin):
            same(pin, 15, "pin")
            return self.now

    pins = Pins()
    lines = edges.Lines((("remote", 15, 6.0),))
    lines.read_all(pins)
    true(not lines.is_changed(0, pins), "no change")
    pins.now = 1
    true(lines.is_changed(0, pins) and not lines.is_changed(0, pins), "one change, once")
    same(lines.levels[0], 1, "level")


# ---- commands --------------------------------------------------------------------------------------------------------


def _read_commands(raw):
    reader = commands.CommandReader(TABLE)
    got = []
    for byte in raw:
        if reader.push(byte):
            got.append((reader.kind, reader.payload_text()))
    return got, reader


def check_commands_are_read():
    raw = b""
    expected = []
    for kind in (0xC1, 0xC2, 0xC3, 0xC4, 0xC5, 0xC6, 0xC7, 0xC8):
        payload = b"wide" if kind == layout.KIND_MODE else b""
        raw += framing.pack_frame(kind, 0, len(expected), 0, 0, payload)
        expected.append((kind, payload.decode()))
    got, reader = _read_commands(raw)
    same(got, expected, "commands")
    same(reader.n_bad, 0, "bad")


def check_no_flipped_bit_is_a_command():
    good = framing.pack_frame(layout.KIND_MODE, 0, 3, 0, 0, b"wide")
    for bit in range(8 * (len(good) - 1)):
        raw = bytearray(good)
        raw[bit >> 3] ^= 1 << (bit & 7)
        got, reader = _read_commands(bytes(raw) + good)
        # a flip may turn a byte into a delimiter: the rest may be lost with it, the frame behind never is
        same(got, [(layout.KIND_MODE, "wide")], "bit %d" % bit)
        true(reader.n_bad >= 1, "bit %d was not counted" % bit)


def check_commands_survive_any_bytes():
    random = Random(4711)
    good = framing.pack_frame(layout.KIND_START, 0, 0, 0, 0, b"")
    for n in (1, 2, 18, 19, 200, 5000):
        rubbish = bytes([1 + random.below(255) for _ in range(n)])
        got, reader = _read_commands(rubbish + b"\x00" + good)
        same(got, [(layout.KIND_START, "")], "after %d bytes of rubbish" % n)
        same(reader.n_bad, 1, "bad")
    got, reader = _read_commands(b"\x00" * 100 + good)
    same((len(got), reader.n_bad), (1, 0), "empty frames are no error")


def check_other_version_is_told_apart():
    frame = bytearray(20)
    framing.put_header(frame, layout.KIND_START, 0, 0, 0, 0)
    frame[layout.VERSION_AT] = 0x80 | 9
    crc.append_crc(frame, 16)
    got, reader = _read_commands(cobs.encode(bytes(frame)) + b"\x00")
    same((got, reader.n_bad, reader.other_version), ([], 1, 9), "version 9")


# ---- hello -----------------------------------------------------------------------------------------------------------


def check_hello_is_what_the_specification_asks_for():
    bench = Bench()
    bench.facts.board_id = 'a"b\\c'
    bench.start()
    got = json.loads(bench.of_kind(layout.KIND_HELLO)[0].payload.decode())
    expected = {
        "protocol": 1,
        "board_id": 'a"b\\c',
        "mode": "bass",
        "rate_hz": [8000, 1],
        "averaging": 8,
        "counts_per_code": 8,
        "scans_per_frame": 38,
        "input_corner_hz": 5100,
        "time_scale": 1,
        "streaming": True,
        "session_tag": bench.logger.session.tag,
        "session_id": bench.logger.session.name,
    }
    for name in expected:
        same(got[name], expected[name], name)
    same([c["role"] for c in got["channels"]], ["out_p", "out_n", "supply"], "roles")
    same([c["in_scan_offset_ns"] for c in got["channels"]], [0, 5208, 10417], "offsets")
    # 250 cycles of 48 MHz are 5208.33 ns. Supply: 24 k over 3.57 k, 3.3 V / 4096: 27.57 / 3.57 * 0.80566 mV a code.
    true(abs(got["channels"][2]["gain_v_per_code"] - 6.221893e-3) < 1e-8, "supply gain")
    same(got["channels"][2]["offset_v"], 0, "supply offset")
    # Speaker: at 0 V the pin sits at 3.3 V * (120 k || 6.49 k) / (6.2 k + 120 k || 6.49 k).
    down = 1 / (1 / 120000 + 1 / 6490)
    pin_v = 3.3 * down / (6200 + down)
    gain, offset = got["channels"][0]["gain_v_per_code"], got["channels"][0]["offset_v"]
    true(abs(pin_v / 3.3 * 4096 * gain + offset) < 1e-4, "0 V at the speaker terminals")
    same(got["digital"], [{"role": "remote", "pin": 15, "threshold_v": 6.0, "level": 0}], "digital")


def check_rates_of_the_modes():
    config = FakeConfig()
    same([hello.Stream(config, m).rate(48000000) for m in ("bass", "wide", "slow")], [(8000, 1), (25000, 1), (2000, 1)])
    config = FakeConfig(CHANNELS=(("out_p", 26), ("supply", 27)), MODES={"odd": {"cycles": 97, "averaging": 3}})
    same(hello.Stream(config, "odd").rate(48000000), (8000000, 97), "48 MHz / (97 * 2 * 3)")


def check_every_wrong_configuration_is_refused():
    good = FakeConfig()
    same(hello.find_refusal(good, "bass", RING), "", "the standard configuration")
    wrong = {
        "0 analog": FakeConfig(CHANNELS=()),
        "5 analog": FakeConfig(CHANNELS=tuple([("r%d" % i, 26 + i) for i in range(5)])),
        "no input network": FakeConfig(CHANNELS=(("tweeter", 26),)),
        "two channels": FakeConfig(CHANNELS=(("supply", 26), ("supply", 27))),
        "a digital line": FakeConfig(CHANNELS=(("remote", 26),)),
        "without out_p": FakeConfig(CHANNELS=(("out_n", 26),)),
        "twice": FakeConfig(CHANNELS=(("out_p", 26), ("out_n", 26))),
        "cycles": FakeConfig(MODES={"bass": {"cycles": 95, "averaging": 8}}),
        "averages": FakeConfig(MODES={"bass": {"cycles": 250, "averaging": 0}}),
        "ring": FakeConfig(MODES={"bass": {"cycles": 250, "averaging": 200}}),
        "no mode": FakeConfig(MODES={"wide": {"cycles": 250, "averaging": 2}}),
    }
    for words in wrong:
        text = hello.find_refusal(wrong[words], "bass", RING)
        true(words in text, "%s: %r" % (words, text))


def check_refused_start_says_so_and_does_not_convert():
    bench = Bench(FakeConfig(CHANNELS=(("out_n", 26),)))
    bench.start()
    fault = json.loads(bench.of_kind(layout.KIND_FAULT)[0].payload.decode())
    reply = json.loads(bench.of_kind(layout.KIND_REPLY)[0].payload.decode())
    same((fault["code"], reply["for"], reply["ok"]), ("configuration", "start", False), "answers")
    same((bench.source.starts, bench.logger.is_streaming), ([], False), "not started")
    bench = Bench()
    bench.source.error = "the converter scans its pins upwards"
    bench.start()
    fault = json.loads(bench.of_kind(layout.KIND_FAULT)[0].payload.decode())
    same((fault["code"], fault["text"]), ("converter", bench.source.error), "the converter's own refusal")
    true(not bench.logger.is_streaming, "not streaming")


# ---- kept calibration ------------------------------------------------------------------------------------------------

# The nominal supply input gives 6.2219e-3 V a code; a meter said a little more.
SUPPLY_FIGURES = {
    "role": "supply",
    "gain_v_per_code": 6.2512e-3,
    "offset_v": -0.0125,
    "uncertainty_v": 0.004,
    "made_on": "2026-11-25",
    "meter": "bench meter, 4 1/2 digits",
}


def _figures(**changes):
    told = dict(SUPPLY_FIGURES)
    for name in changes:
        told[name] = changes[name]
        if changes[name] is None:
            del told[name]
    return told


class _Flash:
    """One file; refuses when told to."""

    def __init__(self, text=""):
        self.text = text
        self.is_full = False

    def load(self):
        return self.text

    def save(self, text):
        if self.is_full:
            raise OSError(28)
        self.text = text

    def facts(self):
        from logger.facts import Facts

        facts = Facts()
        facts.load_calibration, facts.save_calibration = self.load, self.save
        return facts


def _keep(bench, told):
    text = told if isinstance(told, str) else json.dumps(told)
    bench.command(layout.KIND_KEEP_CALIBRATION, text.encode())
    bench.run_ms(200, conversions_a_ms=0)  # the board takes 64 bytes at each look
    return json.loads(bench.of_kind(layout.KIND_REPLY)[-1].payload.decode())


def _hello_of(bench):
    bench.command(layout.KIND_IDENTIFY)
    bench.run_ms(20, conversions_a_ms=0)
    return json.loads(bench.of_kind(layout.KIND_HELLO)[-1].payload.decode())


def check_calibration_is_kept_over_a_reset():
    flash = _Flash()
    bench = Bench(facts=flash.facts())
    true("calibration" not in _hello_of(bench), "a hello as before while nothing is kept")
    reply = _keep(bench, SUPPLY_FIGURES)
    same((reply["for"], reply["ok"]), ("calibration", True), reply["text"])
    reply = _keep(bench, _figures(role="out_p", gain_v_per_code=0.0321, offset_v=-63.1, gain_uncertainty_ratio=0.001))
    true(reply["ok"], reply["text"])
    for again in (bench, Bench(facts=flash.facts())):
        kept = _hello_of(again)["calibration"]
        same([(one["role"], one["pin"]) for one in kept], [("out_p", 26), ("supply", 28)], "roles")
        for name in SUPPLY_FIGURES:
            told, expected = kept[1][name], SUPPLY_FIGURES[name]
            true(told == expected or abs(told - expected) <= 1e-6 * abs(expected), "%s: %r" % (name, told))
        same(("gain_uncertainty_ratio" in kept[1], kept[0]["gain_uncertainty_ratio"] < 0.0011), (False, True), "ratio")
        same(_hello_of(again)["remarks"], [], "remarks")
    # Starting a session does not lose it, and a newer measurement takes the place of the older one.
    true(_keep(bench, _figures(gain_v_per_code=6.3e-3))["ok"], "again")
    bench.start()
    kept = json.loads(bench.of_kind(layout.KIND_HELLO)[-1].payload.decode())["calibration"]
    true(abs(kept[1]["gain_v_per_code"] - 6.3e-3) < 1e-8, "the newer one")


def check_calibration_is_forgotten_role_by_role():
    flash = _Flash()
    bench = Bench(facts=flash.facts())
    _keep(bench, SUPPLY_FIGURES)
    _keep(bench, _figures(role="out_p", gain_v_per_code=0.0321, offset_v=-63.1))
    true(_keep(bench, {"role": "out_p", "forget": True})["ok"], "forget")
    same([one["role"] for one in _hello_of(Bench(facts=flash.facts()))["calibration"]], ["supply"], "what is left")
    true(_keep(bench, {"role": "supply", "forget": True})["ok"], "forget")
    true("calibration" not in _hello_of(bench), "nothing left")


def check_calibration_garbage_is_refused_in_words():
    flash = _Flash()
    bench = Bench(facts=flash.facts())
    _keep(bench, SUPPLY_FIGURES)
    before = flash.text
    infinite = json.dumps(SUPPLY_FIGURES).replace("0.0062512", "1e999")
    cases = (
        ("rubbish", "no JSON"),
        ("[" * 400, "no JSON"),
        ("[]", "which role"),
        ("{}", "which role"),
        (infinite, "gain_v_per_code is no number"),
        (_figures(role="tweeter"), "no such analog channel"),
        (_figures(role="battery"), "no such analog channel"),
        (_figures(gain_v_per_code=None), "gain_v_per_code is no number"),
        (_figures(gain_v_per_code=True), "gain_v_per_code is no number"),
        (_figures(gain_v_per_code="6.2e-3"), "gain_v_per_code is no number"),
        (_figures(gain_v_per_code=-6.2e-3), "far from"),
        (_figures(gain_v_per_code=0), "far from"),
        (_figures(gain_v_per_code=0.0325), "far from"),
        (_figures(gain_v_per_code=0.0031), "far from"),
        (_figures(offset_v=7.0), "far from"),
        (_figures(uncertainty_v=0), "uncertainty_v"),
        (_figures(uncertainty_v=-0.1), "uncertainty_v"),
        (_figures(uncertainty_v=20), "uncertainty_v"),
        (_figures(gain_uncertainty_ratio=-1), "gain_uncertainty_ratio"),
        (_figures(gain_uncertainty_ratio="small"), "gain_uncertainty_ratio"),
        (_figures(made_on="25.11.2026"), "made_on"),
        (_figures(made_on="2026-02-29"), "made_on"),
        (_figures(made_on="2026-13-01"), "made_on"),
        (_figures(made_on=20261125), "made_on"),
        (_figures(meter=""), "meter"),
        (_figures(meter="m" * 61), "meter"),
        (_figures(meter=None), "meter"),
        (_figures(meter="a\nb"), "meter"),
    )
    for told, words in cases:
        reply = _keep(bench, told)
        same((reply["for"], reply["ok"]), ("calibration", False), "%r" % (told,))
        true(words in reply["text"], "%r: %s" % (told, reply["text"]))
        same(flash.text, before, "the flash after %r" % (told,))
    same([one["role"] for one in _hello_of(bench)["calibration"]], ["supply"], "what was there before stays")
    same(_keep(bench, _figures(made_on="2028-02-29"))["ok"], True, "a leap day")
    bench.start()
    reply = _keep(bench, SUPPLY_FIGURES)
    same((reply["ok"], reply["text"]), (False, "Stop streaming first."), "while streaming")
    n_bad = bench.logger.counters.values[status.BAD_COMMANDS]
    bench.command(layout.KIND_KEEP_CALIBRATION, b"x" * (kept_calibration.PAYLOAD_BYTES_MOST + 1))
    bench.run_ms(200)
    same(bench.logger.counters.values[status.BAD_COMMANDS], n_bad + 1, "too long a command is a bad one")


def check_calibration_when_the_flash_is_full():
    flash = _Flash()
    bench = Bench(facts=flash.facts())
    flash.is_full = True
    reply = _keep(bench, SUPPLY_FIGURES)
    true(not reply["ok"] and "flash does not take it" in reply["text"], reply["text"])
    true("calibration" not in _hello_of(bench), "not told either")
    bench.facts.save_mode = flash.save
    bench.command(layout.KIND_MODE, b"wide")
    reply = json.loads(bench.of_kind(layout.KIND_REPLY)[-1].payload.decode())
    true(reply["ok"] and "does not keep it" in reply["text"], reply["text"])
    same(bench.logger.mode, "wide", "the mode all the same")


def check_damaged_calibration_is_passed_over_with_a_remark():
    good = _Flash()
    _keep(Bench(facts=good.facts()), SUPPLY_FIGURES)
    for text in ("{", "[]", "7", good.text[:-5], '{"supply":7}', "\x00" * 50, good.text + " " * 3000):
        told = _hello_of(Bench(facts=_Flash(text).facts()))
        true("calibration" not in told, "%r" % text)
        true("not used" in told["remarks"][0], "%r: %r" % (text, told["remarks"]))
    # Another network on the same pin: the measured figures belong to a divider that is no longer there.
    config = FakeConfig()
    config.INPUT_OF_ROLE = dict(config.INPUT_OF_ROLE)
    config.INPUT_OF_ROLE["supply"] = config.SPEAKER
    told = _hello_of(Bench(config, facts=good.facts()))
    true("calibration" not in told and "supply does not fit" in told["remarks"][0], "%r" % told["remarks"])
    # Another pin, or no such channel: not told, but kept.
    for channels in ((("supply", 26),), (("out_p", 26),)):
        told = _hello_of(Bench(FakeConfig(CHANNELS=channels), facts=good.facts()))
        same(("calibration" in told, told["remarks"]), (False, []), "another pin")


def check_calibration_never_outgrows_the_hello():
    config = FakeConfig(CHANNELS=tuple([(role, 26 + k) for k, role in enumerate(sorted(FakeConfig().INPUT_OF_ROLE))]))
    config.DIGITAL = tuple([("line%d" % k, 2 + k, 6.0) for k in range(8)])
    flash = _Flash()
    facts = flash.facts()
    facts.channels_most = 16
    bench = Bench(config, facts=facts)
    refused = ""
    for role, _ in config.CHANNELS:
        gain, offset = hello.volts_of_code(config, role)
        told = _figures(role=role, gain_v_per_code=gain, offset_v=offset, uncertainty_v=0.001, meter="m" * 60)
        reply = _keep(bench, told)
        refused = refused or ("" if reply["ok"] else reply["text"])
        said = bench.of_kind(layout.KIND_HELLO)
        true(len(_hello_of(bench)["channels"]) == 8 and said is not None, "the hello still goes out")
    true("too long" in refused, "nothing was refused: %r" % refused)
    same(_hello_of(Bench(config, facts=facts))["remarks"], [], "what was kept fits")


# ---- queue and framer ------------------------------------------------------------------------------------------------


def check_queue_takes_whole_frames_or_none():
    queue = transmit_queue.TransmitQueue(bytearray(16384))
    frame = bytearray(b"\x55" * 254)
    expected = cobs.encode(bytes(frame))
    port = FakePort()
    n_put = 0
    while queue.put_frame(frame, 254, True):
        n_put += 1
    before = queue.n_queued()
    true(not queue.put_frame(frame, 254, True) and queue.n_queued() == before, "a refused frame leaves no trace")
    true(16384 - transmit_queue.RESERVE_BYTES - 1024 < before < 16384 - 4000, "filled up to the reserve: %d" % before)
    true(queue.put_frame(frame, 254, False), "what is no samples frame still finds room")
    for room in (1, 63, 64, 65, 1000, 7, 16384):
        port.room = room
        queue.pump(port, 1000)
    got = [piece for piece in bytes(port.taken).split(b"\x00") if piece]
    same((len(got), set(got)), (n_put + 1, {expected}), "all frames come out whole")
    same(queue.n_queued(), 0, "empty")


def check_frames_are_those_of_ampwire():
    queue = transmit_queue.TransmitQueue(bytearray(16384))
    made = framer.Framer(queue, status.Counters(), TABLE)
    port = FakePort()
    for n_channels in (1, 2, 3, 5):
        n_scans = layout.scans_per_frame(n_channels)
        n_codes = n_channels * n_scans
        ring = array("H", [1 + i * 331 % 4094 for i in range(1024)])
        averager = average.Averager(ring)
        averager.begin((1 << 30) - 100, n_channels, 1, n_scans)
        made.begin(777, n_channels, n_scans)
        made.set_counters((1 << 28) - 2, (1 << 32) - 50)
        run, events = frame_path.make_frame_path(lambda: (1 << 30) - 1, averager, made, queue)
        expected = []
        index = (1 << 32) - 50
        for k in range(4):
            averager.read = (1 << 30) - 100  # the same conversions each time; the ring ends among them
            counts = [ring[(i - 100) % 1024] for i in range(n_codes)]
            if k == 2:
                made.lose_scans(1000)
                index += 1000
            flags = layout.FLAG_BOARD_LOSS if k == 2 else 0
            payload = messages.pack_samples([(0, 0)] * n_channels, counts)
            seq = ((1 << 28) - 2 + k) % (1 << 28)
            expected.append((layout.KIND_SAMPLES, 777, seq, index, flags, payload))
            run(1)
            same(list(events), [0, 0], "queued")
            index += n_scans
        port.taken = bytearray()
        queue.pump(port, 1000)
        same([tuple(frame) for frame in port.frames()[0]], expected, "%d channels" % n_channels)


# ---- the whole logger ------------------------------------------------------------------------------------------------


def _expected_counts(first_scan, n_scans, n_channels, averaging, make_code=code_of):
    shift = average.shift_for(averaging)
    out = []
    for scan in range(first_scan, first_scan + n_scans):
        base = scan * averaging * n_channels
        for channel in range(n_channels):
            out.append(sum([make_code(base + k * n_channels + channel) for k in range(averaging)]) >> shift)
    return out


def _check_samples(bench, frames, index_base=0):
    """Every sample of every frame right by its index; returns the list of (first index, scans) that are there."""
    stream = bench.logger.stream
    spans = []
    for frame in frames:
        at_rail, counts = messages.unpack_samples(frame.payload, stream.n_channels)
        first = frame.index - index_base
        expected = _expected_counts(first, stream.scans_per_frame, stream.n_channels, stream.averaging)
        same(list(counts), expected, "counts at index %d" % frame.index)
        per_scan = stream.averaging * stream.n_channels
        rails = [[0, 0] for _ in range(stream.n_channels)]
        for n in range(first * per_scan, (first + stream.scans_per_frame) * per_scan):
            code = code_of(n)
            if code in (0, 4095):
                rails[n % stream.n_channels][code & 1] += 1
        same([tuple(one) for one in at_rail], [tuple(one) for one in rails], "at-rail counts at %d" % frame.index)
        spans.append((frame.index, stream.scans_per_frame))
    return spans


def _status(bench):
    return json.loads(bench.of_kind(layout.KIND_STATUS)[-1].payload.decode())


def check_every_sample_in_each_mode():
    for mode, n_ms in (("bass", 700), ("wide", 250), ("slow", 500)):
        bench = Bench(mode=mode)
        bench.start()
        bench.run_ms(n_ms)
        frames = bench.of_kind(layout.KIND_SAMPLES)
        stream = bench.logger.stream
        n_scans = bench.source.n_done // (stream.averaging * stream.n_channels)
        same(len(frames), n_scans // stream.scans_per_frame, "frames in " + mode)
        spans = _check_samples(bench, frames)
        same(
            [first for first, _ in spans], list(range(0, len(frames) * stream.scans_per_frame, stream.scans_per_frame))
        )
        everything, n_bad = bench.port.frames()
        own = [frame.seq for frame in everything if frame.tag == bench.logger.session.tag]
        same((own, n_bad), (list(range(len(own))), 0), "one sequence for all kinds")


def check_temperature_is_converted_in_slow_alone():
    # 891 codes of 4096 at 3.3 V are 0.71785 V. RP2040 datasheet, section 4.9.5: 27 - (0.71785 - 0.706) / 0.001721.
    for total, tenths in ((16 * 891, 201), (16 * 876, 271), (0, 4372), (16 * 4095, -14797)):
        true(abs(thermometer.tenths_of_sum(total) - tenths) <= 1, "%d: %d" % (total, thermometer.tenths_of_sum(total)))
    for channels, averaging, rate in (
        ((("out_p", 26), ("out_n", 27), ("supply", 28)), 24, [2000, 1]),
        ((("out_p", 26), ("supply", 28)), 20, [3200, 1]),
        ((("supply", 28),), 16, [6000, 1]),
    ):
        source = FakeSource(first_position=(1 << 30) - 30000)
        source.has_thermometer = True
        n_slots = len(channels) + 1
        source.make_code = lambda n, n_slots=n_slots: 891 if n % n_slots == n_slots - 1 else code_of(n)
        bench = Bench(FakeConfig(CHANNELS=channels), source=source, mode="slow")
        bench.start()
        same(source.starts[-1][3:], (True,), "asked for")
        bench.run_ms(2300)
        told = json.loads(bench.of_kind(layout.KIND_HELLO)[-1].payload.decode())
        same((told["averaging"], told["rate_hz"]), (averaging, rate), "hello")
        frames = bench.of_kind(layout.KIND_SAMPLES)
        n_channels = len(channels)
        for frame in frames[:2] + frames[-20:]:
            _, counts = messages.unpack_samples(frame.payload, n_channels)
            shift = average.shift_for(averaging)
            base = frame.index * averaging * n_slots
            for k in range(len(counts)):
                at = base + (k // n_channels) * averaging * n_slots + k % n_channels
                expected = sum([source.make_code(at + i * n_slots) for i in range(averaging)]) >> shift
                same(counts[k], expected, "count %d of the frame at %d" % (k, frame.index))
        true(len(frames) > 60 and _status(bench)["die_c"] == 20.2, "%r" % _status(bench)["die_c"])
        bench.command(layout.KIND_MODE, b"bass")
        bench.run_ms(1200)
        same((source.starts[-1][3:], _status(bench)["die_c"]), ((), None), "bass")
    # In another order the converter would meet its thermometer in the middle of a scan.
    source = FakeSource()
    source.has_thermometer = True
    bench = Bench(FakeConfig(CHANNELS=(("out_n", 27), ("supply", 28), ("out_p", 26))), source=source, mode="slow")
    bench.start()
    bench.run_ms(1200)
    same((source.starts[-1][3:], _status(bench)["die_c"]), ((), None), "another order")


def check_one_and_two_channels():
    for channels in ((("supply", 28),), (("out_p", 26), ("supply", 28))):
        bench = Bench(FakeConfig(CHANNELS=channels))
        bench.start()
        bench.run_ms(200)
        spans = _check_samples(bench, bench.of_kind(layout.KIND_SAMPLES))
        true(len(spans) > 10, "frames")
        same(bench.source.starts[0][2], tuple([pin for _, pin in channels]), "pins")


def check_counters_that_begin_just_below_their_limits():
    for base in ((1 << 30) - 100, (1 << 32) - 100):
        source = FakeSource(first_position=(1 << 30) - 5000)
        bench = Bench(source=source, start_ms=(1 << 30) - 300)
        bench.start()
        true(bench.logger.is_streaming, "started")
        bench.logger.framer.set_counters((1 << 28) - 20, base)
        for which in (status.QUEUE_DROPPED_FRAMES, status.OVERRUN_SCANS):
            bench.logger.counters.values[which] = (1 << 30) - 2
        bench.run_ms(600)
        frames = bench.of_kind(layout.KIND_SAMPLES)
        spans = _check_samples(bench, frames, base)
        true(len(frames) > 100, "frames")
        same([first for first, _ in spans], [base + 38 * k for k in range(len(frames))], "indices")
        first = frames[0].seq
        own = [f.seq for f in bench.port.frames()[0] if f.tag == bench.logger.session.tag and f.index >= base]
        same(own[-1], (first + len(own) - 1) % (1 << 28), "sequence wraps")
        same(bench.logger.counters.values[status.OVERRUNS], 0, "no overrun")


def check_stalled_port_loses_counted_frames_only():
    bench = Bench()
    bench.start()
    bench.run_ms(100)
    bench.port.room = 0
    bench.run_ms(300)
    same(bench.logger.counters.values[status.QUEUE_DROPPED_FRAMES], 0, "a pause of 300 ms loses nothing")
    bench.run_ms(1700)
    bench.port.room = None
    bench.run_ms(1200)
    frames = bench.of_kind(layout.KIND_SAMPLES)
    spans = _check_samples(bench, frames)
    n_missing = (spans[-1][0] + 38) - 38 * len(spans)
    dropped = _status(bench)
    true(n_missing > 5000, "a pause of 2 s loses some: %d" % n_missing)
    same((dropped["queue_dropped_scans"], dropped["overrun_scans"]), (n_missing, 0), "scans by cause")
    own = [frame for frame in bench.port.frames()[0] if frame.tag == bench.logger.session.tag]
    n_holes = own[-1].seq + 1 - len(own)
    same(n_holes, dropped["queue_dropped_frames"], "holes in the sequence")
    for before, after in zip(frames, frames[1:]):
        is_gap = after.index != before.index + 38
        same(bool(after.flags & layout.FLAG_LINK_LOSS), is_gap, "flag at %d" % after.index)
    same(bench.port.frames()[1], 0, "no torn frame")


def check_overruns_are_counted_exactly():
    bench = Bench()
    bench.start()
    bench.run_ms(100)
    n_lost = 0
    for n_behind in (14336, 14400, 16384, 16385, 50001, 1000003):
        backlog = bench.logger.averager.backlog(bench.source.position())
        bench.source.advance(n_behind - backlog)
        bench.source.n_looks = 0
        bench.logger.step()
        bench.run_ms(60)
    frames = bench.of_kind(layout.KIND_SAMPLES)
    spans = _check_samples(bench, frames)
    for before, after in zip(frames, frames[1:]):
        n_gap = after.index - before.index - 38
        n_lost += n_gap
        same(bool(after.flags & layout.FLAG_BOARD_LOSS), n_gap > 0, "flag at %d" % after.index)
    bench.run_ms(1100)
    told = _status(bench)
    true(n_lost > 0, "something was lost")
    same((told["overrun_scans"], told["queue_dropped_scans"]), (n_lost, 0), "scans by cause")
    same(told["overruns"], 5, "how often (14336 waiting is still inside the margin)")
    true(spans[-1][0] * 24 <= bench.source.n_done, "the index runs ahead of the converter")


def check_a_frame_overtaken_while_it_is_averaged_is_not_sent():
    bench = Bench()
    bench.start()
    bench.run_ms(100)
    bench.source.jump = RING  # the converter laps the reader between two looks at the position
    bench.run_ms(200)
    frames = bench.of_kind(layout.KIND_SAMPLES)
    _check_samples(bench, frames)
    n_gap = sum([after.index - before.index - 38 for before, after in zip(frames, frames[1:])])
    true(n_gap >= 38, "nothing was given up")
    same(bench.logger.counters.values[status.OVERRUN_SCANS], n_gap, "counted")


def check_lost_conversions_begin_a_new_session():
    bench = Bench()
    bench.start()
    bench.run_ms(100)
    first_tag = bench.logger.session.tag
    bench.source.is_over = True
    bench.run_ms(1200)
    true(bench.logger.session.tag != first_tag and bench.logger.is_streaming, "new session")
    frames = bench.of_kind(layout.KIND_SAMPLES)
    second = [frame for frame in frames if frame.tag != first_tag]
    same(second[0].index, 0, "index begins again")
    _check_samples(bench, second)
    same(_status(bench)["fifo_overflows"], 1, "counted")
    fault = json.loads(bench.of_kind(layout.KIND_FAULT)[0].payload.decode())
    same(fault["code"], "fifo-overflow", "said")


def check_an_overflow_is_sized_by_the_clock():
    # 192 conversions a millisecond, 24 a scan. After n_before ms of sound conversions n_dead ms pass without any.
    for n_before, n_dead, first_position in ((100, 50, 0), (2500, 3, (1 << 30) - 1000), (1003, 0, (1 << 30) - 250000)):
        bench = Bench(source=FakeSource(first_position=first_position), start_ms=(1 << 30) - 1200)
        bench.port.say(layout.KIND_START)
        while not bench.source.is_running:
            bench.run_ms(1)
        start_ms = bench.clock.ms  # conversions begin after this
        bench.run_ms(n_before)
        bench.run_ms(20, conversions_a_ms=0)
        bench.clock.ms += n_dead
        framed = bench.of_kind(layout.KIND_SAMPLES)[-1].index + 38
        bench.source.is_over = True
        bench.logger.step()
        begun_ms = bench.clock.ms
        bench.run_ms(30)
        fault = json.loads(bench.of_kind(layout.KIND_FAULT)[0].payload.decode())
        truth = (begun_ms - start_ms) * 192 // 24 - framed
        true(abs(fault["lost_scans"] - truth) <= 1, "%d ms: %d, truly %d" % (n_dead, fault["lost_scans"], truth))
        true("%d scans are missing" % fault["lost_scans"] in fault["text"], fault["text"])


def _lamp(bench, n_steps, step_ms):
    """(share of the time lit, changes) over n_steps looks."""
    lit = []
    for _ in range(n_steps):
        bench.run_ms(step_ms)
        lit.append(bool(bench.pins.is_lit))
    return sum(lit) / n_steps, sum([lit[i] != lit[i - 1] for i in range(1, n_steps)])


def check_the_lamp_tells_what_goes_on():
    bench = Bench()
    share, changes = _lamp(bench, 400, 10)
    true(0.01 < share < 0.06 and 3 <= changes <= 5, "idle: a short blink every two seconds, %r" % ((share, changes),))
    bench.start()
    share, changes = _lamp(bench, 200, 10)
    true(0.4 < share < 0.6 and 3 <= changes <= 5, "streaming: half a second each, %r" % ((share, changes),))
    bench.port.room = 0
    bench.run_ms(1500)
    share, changes = _lamp(bench, 100, 10)
    true(0.4 < share < 0.6 and 8 <= changes <= 11, "losing: fast, %r" % ((share, changes),))
    bench = Bench(FakeConfig(CHANNELS=(("out_n", 26),)))
    bench.start()
    share, changes = _lamp(bench, 200, 10)
    true(0.15 < share < 0.25 and 7 <= changes <= 9, "fault: two short blinks a second, %r" % ((share, changes),))
    bench = Bench()
    bench.command(layout.KIND_SELF_TEST)
    true(bench.pins.is_lit, "testing: on")


def check_every_combination_of_roles_that_makes_sense_starts():
    roles = ("out_p", "out_n", "supply", "battery", "ground", "source", "current", "remote")
    n_good = n_all = 0
    for chosen_bits in range(1, 256):
        chosen = [roles[i] for i in range(8) if chosen_bits >> i & 1]
        if len(chosen) > 3:
            continue
        n_all += 1
        channels = tuple([(role, 26 + k) for k, role in enumerate(chosen)])
        digital = () if "remote" in chosen else (("remote", 15, 6.0),)
        config = FakeConfig(CHANNELS=channels, DIGITAL=digital)
        refusals = [hello.find_refusal(config, mode, RING) for mode in ("bass", "wide", "slow")]
        if "out_n" in chosen and "out_p" not in chosen:
            true(all("without out_p" in text for text in refusals), "%r: %r" % (chosen, refusals))
            continue
        same(refusals, ["", "", ""], "%r" % chosen)
        n_good += 1
        if "remote" in chosen:
            text = hello.find_refusal(FakeConfig(CHANNELS=channels), "bass", RING)
            true("keep one" in text, "remote both ways: %r" % text)
    # 8 single, 28 pairs, 56 threes; with out_n and without out_p 1, 6 and 15 of them.
    same((n_all, n_good), (8 + 28 + 56, 8 + 28 + 56 - 1 - 6 - 15), "combinations")
    for name, pin in (("BUTTON_PIN", 26), ("LED_PIN", 15)):
        config = FakeConfig()
        setattr(config, name, pin)
        true("twice" in hello.find_refusal(config, "bass", RING), name)
    config = FakeConfig(BUTTON_PIN=None, LED_PIN=None)
    same(hello.find_refusal(config, "bass", RING), "", "neither button nor lamp")


def check_silent_host_ends_streaming():
    bench = Bench()
    bench.start()
    bench.run_ms(200)
    bench.run_ms(1700, with_heartbeat=False)
    true(bench.logger.is_streaming, "still streaming within the time-out")
    bench.run_ms(600, with_heartbeat=False)
    true(not bench.logger.is_streaming and not bench.source.is_running, "stopped")
    n_before = len(bench.port.taken)
    bench.run_ms(3000, with_heartbeat=False)
    same(len(bench.port.taken), n_before, "nothing is written to a port that nobody reads")
    tag = bench.logger.session.tag
    bench.port.taken = bytearray()
    bench.start()
    bench.run_ms(200)
    same(bench.port.taken[0], 0, "a delimiter first")
    true(bench.logger.session.tag != tag, "another session")
    same({frame.tag for frame in bench.of_kind(layout.KIND_SAMPLES)}, {bench.logger.session.tag}, "no stale frame")


def check_hello_and_status_once_a_second():
    bench = Bench()
    bench.start()
    bench.run_ms(5000)
    n_hello, n_status = len(bench.of_kind(layout.KIND_HELLO)), len(bench.of_kind(layout.KIND_STATUS))
    true(5 <= n_hello <= 7 and 4 <= n_status <= 6, "hello %d, status %d" % (n_hello, n_status))
    told = _status(bench)
    for name in ("uptime_s", "free_bytes", "busy_share", "worst_loop_us", "bad_commands", "fifo_overflows"):
        true(name in told, name)
    same((told["die_c"], told["uptime_s"]), (None, 5), "no temperature while converting; uptime")


def check_mode_is_kept_and_restarts_the_stream():
    bench = Bench()
    kept = []
    bench.facts.save_mode = kept.append
    bench.command(layout.KIND_MODE, b"wide")
    bench.start()
    same(bench.logger.stream.mode, "wide", "mode")
    bench.run_ms(50)
    tag = bench.logger.session.tag
    bench.command(layout.KIND_MODE, b"slow")
    bench.run_ms(100)
    true(bench.logger.is_streaming and bench.logger.session.tag != tag, "a new session in the new mode")
    same(bench.source.starts[-1], (250, 3, (26, 27, 28)), "slow")
    same(kept, ["wide", "slow"], "kept")
    bench.command(layout.KIND_MODE, b'no"such')
    reply = json.loads(bench.of_kind(layout.KIND_REPLY)[-1].payload.decode())
    same((reply["for"], reply["ok"], bench.logger.mode), ("mode", False, "slow"), "refused")
    true(bench.logger.is_streaming, "and nothing was disturbed")


def check_stop_says_the_last_word():
    bench = Bench()
    bench.start()
    bench.run_ms(100)
    bench.command(layout.KIND_STOP)
    bench.run_ms(50)
    kinds = [frame.kind for frame in bench.port.frames()[0]]
    same(kinds[-2:], [layout.KIND_STATUS, layout.KIND_REPLY], "status, then the reply")
    true(not bench.source.is_running, "stopped")
    bench.command(layout.KIND_IDENTIFY)
    bench.run_ms(20)
    same(json.loads(bench.of_kind(layout.KIND_HELLO)[-1].payload.decode())["streaming"], False, "hello at rest")


def check_edges_and_marks_carry_their_index():
    bench = Bench()
    bench.start()
    bench.run_ms(300)
    bench.pins.levels[15] = 1
    at_edge = (bench.source.n_done + 192) // 24  # run_ms advances by 192 conversions before the step that sees it
    bench.run_ms(1)
    bench.run_ms(100)
    bench.pins.pressed = 1
    first, last = bench.source.n_done // 24, (bench.source.n_done + 20 * 192) // 24
    bench.run_ms(300)
    bench.pins.pressed = 0
    bench.run_ms(100)
    edge = bench.of_kind(layout.KIND_EDGE)
    same([(frame.index, messages.unpack_edge(frame.payload)) for frame in edge], [(at_edge, (0, 1))], "edge")
    mark = bench.of_kind(layout.KIND_MARK)
    same([messages.unpack_mark(frame.payload) for frame in mark], ["button"], "one mark a press")
    true(first <= mark[0].index <= last, "index %d of the mark, pressed at %d" % (mark[0].index, first))
    bench.command(layout.KIND_MARK_NOW)
    same(messages.unpack_mark(bench.of_kind(layout.KIND_MARK)[-1].payload), "host", "mark of the host")
    bench.run_ms(1100)
    told = json.loads(bench.of_kind(layout.KIND_HELLO)[-1].payload.decode())
    same(told["digital"][0]["level"], 1, "level in the hello")


def check_bad_commands_are_counted_and_harmless():
    bench = Bench()
    bench.start()
    bench.port.said += b"\x05rubbish\x00\x03\x00"
    bench.port.say(0xD5)
    bench.run_ms(1200)
    same(_status(bench)["bad_commands"], 3, "counted")
    true(bench.logger.is_streaming, "still streaming")


def check_leave_answers_and_then_leaves():
    bench = Bench()
    left = []
    bench.facts.leave = lambda: left.append(1)
    bench.start()
    bench.command(layout.KIND_LEAVE)
    same(left, [], "the reply goes out first")
    same(json.loads(bench.of_kind(layout.KIND_REPLY)[-1].payload.decode())["for"], "leave", "reply")
    bench.run_ms(400)
    true(left and not bench.source.is_running, "left, converter stopped")


def check_self_test_verdicts():
    quiet = [2048, 2049, 2048, 2047, 2050]
    for make_code, is_ok, words in (
        (lambda n: quiet[n % 5], True, "quiet"),
        (lambda n: 0 if n % 3 == 2 else quiet[n % 5], False, "supply is stuck at the bottom"),
        (lambda n: 4095 if n % 3 == 0 else quiet[n % 5], False, "out_p is stuck at the top"),
        (lambda n: 2000 if n % 3 == 1 else quiet[n % 5], False, "out_n does not move"),
        (lambda n: 1000 + n % 97 if n % 3 == 1 else quiet[n % 5], False, "out_n is not at rest"),
    ):
        bench = Bench()
        bench.source.make_code = make_code
        bench.command(layout.KIND_SELF_TEST)
        bench.run_ms(200)
        reply = json.loads(bench.of_kind(layout.KIND_REPLY)[-1].payload.decode())
        same((reply["for"], reply["ok"]), ("self-test", is_ok), words)
        true(words in reply["text"], reply["text"])
        same(len(reply["channels"]), 3, "figures")
        true(not bench.source.is_running, "converter stopped")
    bench = Bench()
    bench.start()
    bench.command(layout.KIND_SELF_TEST)
    same(json.loads(bench.of_kind(layout.KIND_REPLY)[-1].payload.decode())["ok"], False, "not while streaming")


def check_self_test_tells_swapped_stuck_and_bridged_pins():
    sound = ((90, 2, 1), (1, 90, 2), (2, 1, 90))
    for moves, words in (
        (sound, "All channels convert and are quiet"),
        (
            (sound[0], (1, 2, 90), (2, 90, 1)),
            "out_n is swapped: its pin moves supply; supply is swapped: its pin moves out_n",
        ),
        ((sound[0], (1, 3, 2), sound[2]), "out_n is stuck: the resistor"),
        ((sound[0], (1, 90, 70), (2, 70, 90)), "out_n moves together with supply"),
    ):
        bench = Bench(source=PullingSource(moves))
        bench.command(layout.KIND_SELF_TEST)
        bench.run_ms(400)
        reply = json.loads(bench.of_kind(layout.KIND_REPLY)[-1].payload.decode())
        same((reply["for"], reply["ok"]), ("self-test", moves is sound), words)
        true(words in reply["text"], reply["text"])
        same([pin for pin, _ in bench.source.pulls], [26, 27, 28], "pulled, each once")
        true(not bench.source.is_running and not bench.logger.is_testing, "over")
        for k in range(3):
            for i in range(3):
                # Towards the farther end: 2050 codes are above the middle.
                true(abs(reply["channels"][k]["shifts_codes"][i] + moves[k][i]) < 0.2, "%r" % reply["channels"])
    # Something comes in: shifts would be taken for it, so nobody pulls.
    bench = Bench(source=PullingSource(sound))
    bench.source.rest = lambda n: 1000 + n % 97
    bench.command(layout.KIND_SELF_TEST)
    bench.run_ms(400)
    reply = json.loads(bench.of_kind(layout.KIND_REPLY)[-1].payload.decode())
    same((bench.source.pulls, reply["channels"][0]["shifts_codes"], reply["ok"]), ([], None, False), "not at rest")


def check_self_test_says_where_channels_rest():
    # Speaker network by hand: open 6490 / (6200 + 6490) of 4096 codes; at 0 V the 120 k lies beside the 6490.
    down = 1 / (1 / 120000 + 1 / 6490)
    for role, zero, open_code in (
        ("out_p", 4096 * down / (6200 + down), 4096 * 6490 / 12690),
        ("supply", 0, 0),
        ("ground", 2048, 4095),
    ):
        codes = self_test.rest_codes(FakeConfig(), role)
        true(abs(codes[0] - zero) <= 1 and abs(codes[1] - open_code) <= 1, "%s: %r" % (role, codes))


def check_self_test_gives_up_on_a_converter_that_stands_still():
    bench = Bench()
    bench.command(layout.KIND_SELF_TEST)
    bench.run_ms(1500, conversions_a_ms=0)
    reply = json.loads(bench.of_kind(layout.KIND_REPLY)[-1].payload.decode())
    true(not reply["ok"] and "gave 0 of 1300" in reply["text"], reply["text"])
    true(not bench.logger.is_testing and not bench.source.is_running, "over")


class _SilentPort:
    """Takes everything and keeps nothing; says a heartbeat when told to. Allocates nothing."""

    def __init__(self):
        self.beat = framing.pack_frame(layout.KIND_HEARTBEAT, 0, 0, 0, 0, b"")
        self.start = framing.pack_frame(layout.KIND_START, 0, 0, 0, 0, b"")
        self.waiting = None
        self.is_stalled = False
        self.n_bytes = 0

    def write_ready(self):
        return not self.is_stalled

    def write(self, piece):
        self.n_bytes += len(piece)
        return len(piece)

    def read_into(self, buf):
        if self.waiting is None:
            return 0
        n = len(self.waiting)
        for i in range(n):
            buf[i] = self.waiting[i]
        self.waiting = None
        return n


class _StillSource(FakeSource):
    """Only the position moves."""

    def advance(self, n):
        self.n_done += n

    def position(self):
        return (self.first_position + self.n_done) & 0x3FFFFFFF


def check_nothing_allocates_in_the_steady_state():
    _check_nothing_allocates("bass", False)


def check_nothing_allocates_in_slow_with_its_temperature():
    _check_nothing_allocates("slow", True)


def _check_nothing_allocates(mode, has_thermometer):
    # 10 s of streaming with the heap locked: samples, hello, status, edges, marks, heartbeats, a stall that drops
    # frames, overruns. Any allocation raises MemoryError.
    if not IS_MICROPYTHON:
        return
    import micropython

    bench = Bench(source=_StillSource(first_position=(1 << 30) - 100000), mode=mode)
    bench.source.has_thermometer = has_thermometer
    port = _SilentPort()
    logger = bench.logger
    logger._port = port
    port.waiting = port.start
    for _ in range(50):
        bench.clock.ms += 1
        logger.step()
    true(logger.is_streaming, "streaming")
    logger.framer.set_counters((1 << 28) - 100, (1 << 30) - 1000)
    pins, clock_, source = bench.pins, bench.clock, bench.source
    for _ in range(2):
        micropython.heap_lock()
        try:
            k = 0
            while k < 5000:
                clock_.ms += 1
                source.n_done += 20000 if k == 3333 else 192
                port.is_stalled = 1000 < k < 2500
                if k % 500 == 0:
                    port.waiting = port.beat
                if k % 700 == 0:
                    pins.levels[15] ^= 1
                    pins.pressed ^= 1
                logger.step()
                k += 1
        finally:
            micropython.heap_unlock()
    true(port.n_bytes > (200000 if mode == "bass" else 60000), "sent %d bytes" % port.n_bytes)
    if mode == "bass":  # what `slow` makes meanwhile fits the queue
        true(logger.counters.values[status.QUEUE_DROPPED_FRAMES] > 100, "the stall dropped frames")
    same(logger.counters.values[status.OVERRUNS], 2, "overruns")


def check_facts_have_sound_defaults():
    bench = Bench()
    true(len(bench.facts.random_bytes(4)) == 4 and bench.facts.die_tenths() is None, "defaults")
    true(bench.facts.leave is None, "leave")
    bench.command(layout.KIND_LEAVE)
    same(json.loads(bench.of_kind(layout.KIND_REPLY)[-1].payload.decode())["ok"], False, "cannot leave")


def run_all():
    """Run every check; the exit code tells whether all were right."""
    n_failed = 0
    scope = globals()
    for name in sorted(scope):
        if not name.startswith("check_"):
            continue
        gc.collect()
        try:
            scope[name]()
        except Exception as error:
            n_failed += 1
            print("FAILED %s: %s: %s" % (name, type(error).__name__, error))
            if IS_MICROPYTHON:
                sys.print_exception(error)
            else:
                import traceback

                traceback.print_exc(file=sys.stdout)
        else:
            print("ok %s" % name)
    sys.exit(1 if n_failed else 0)


run_all()
