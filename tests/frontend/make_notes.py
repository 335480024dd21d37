"""Schematics and tables of hardware-notes/input-network.md: `python tests/frontend/make_notes.py`.

Drawn from the parts in firmware/board_config.py and the designer's clamp; a test holds page and drawings to them.
"""

from __future__ import annotations

import sys
from pathlib import Path

import schemdraw
import schemdraw.elements as elm
from ampwitness.firmware_files import load_board_config
from ampwitness.frontend.corner import choose_corner
from ampwitness.frontend.disturbances import PIN_OHM
from ampwitness.frontend.front_end import FrontEnd, JudgedInput, read_front_end
from ampwitness.frontend.preferred import value_code
from ampwitness.frontend.wishes import default_wishes

NOTES = Path(__file__).resolve().parents[2] / "hardware-notes"
PAGE = NOTES / "input-network.md"
DRAWINGS = NOTES / "schematics"
BEGIN, END = "<!-- made by tests/frontend/make_notes.py: {} -->", "<!-- end -->"


def board() -> FrontEnd:
    """The board's own networks, judged for a 12 V vehicle."""
    return read_front_end(load_board_config(), default_wishes(), 12)


def drawing(one: JudgedInput) -> str:
    """One network as SVG: black lines, sans-serif text, values as `value_code` prints them."""
    network = one.network
    schemdraw.use("svg")
    with schemdraw.Drawing(show=False, unit=2.4, fontsize=12, font="sans-serif", lw=1.4) as d:
        d.config(margin=0.5)
        elm.Dot(open=True).label("\n".join(("terminal", *one.roles)), "left")
        elm.FuseIEC().right().label("fuse in\nthe lead", "top")
        top = elm.ResistorIEC().right().label(f"top {value_code(network.top_ohm)}\n{one.resistor_w:g} W", "top")
        elm.Dot()
        _branches(one, top.end)
        elm.ResistorIEC().right().at((top.end[0] + 7.2, top.end[1])).label(f"{value_code(PIN_OHM)}", "top")
        elm.Dot(open=True).label("pin", "right")
        return d.get_imagedata("svg").decode()


def _branches(one: JudgedInput, node: tuple[float, float]) -> None:
    """Bias up, divider down, capacitor and clamp: each on its own place of one rail."""
    network = one.network
    x, y = node
    elm.Line().right().at((x, y)).length(7.2)
    if network.up_ohm is not None:
        elm.ResistorIEC().up().at((x, y)).label(f"up {value_code(network.up_ohm)}", "bottom")
        elm.Vdd().label("3.3 V")
    if network.down_ohm is not None:
        elm.ResistorIEC().down().at((x, y)).label(f"down {value_code(network.down_ohm)}", "top")
        elm.GroundSignal()
    elm.Dot().at((x + 3.0, y))
    elm.Capacitor().down().at((x + 3.0, y)).label(f"{value_code(network.farad)}F", "top")
    elm.GroundSignal()
    elm.Dot().at((x + 6.0, y))
    elm.Diode().up().at((x + 6.0, y)).label("low-leakage\npair", "bottom")
    elm.Vdd().label("3.3 V")
    elm.Diode().up().at((x + 6.0, y - 2.4)).to((x + 6.0, y))
    elm.GroundSignal().at((x + 6.0, y - 2.4))


def tables() -> dict[str, list[str]]:
    """Block name -> lines of the page's made parts."""
    made = board()
    return {
        "ranges": _ranges(made),
        "build": _build(made),
        "errors": _errors(made),
        "corner": _corner(made),
        "disturbances": _disturbances(made),
        "lines": _digital(made),
        "schematics": [f"![{one.name}](schematics/{one.name.lower()}.svg)" for one in made.inputs],
    }


def _seconds(value: float) -> str:
    return f"{value:g} s" if value >= 0.1 else f"{1e3 * value:g} ms" if value >= 1e-3 else f"{1e6 * value:g} us"


def _row(*cells: str) -> str:
    return "| " + " | ".join(cells) + " |"


def _head(*cells: str) -> list[str]:
    return [_row(*cells), "|" + "---|" * len(cells)]


def _ranges(made: FrontEnd) -> list[str]:
    rows = _head(
        "network", "inputs", "holds, worst-case parts", "reaches, nominal", "a code is", "corner", "loads with"
    )
    for one in made.inputs:
        network, wish = one.network, one.wish
        assert wish is not None
        rows.append(
            _row(
                one.name,
                ", ".join(f"`{role}`" for role in one.roles),
                f"{wish.low_v:.3g} to {wish.high_v:.3g} V",
                f"{network.low_v:.1f} to {network.high_v:.1f} V",
                f"{1e3 * network.volts_per_code:.3g} mV",
                f"{network.corner_hz / 1e3:.2f} kHz",
                f"{network.input_ohm / 1e3:.3g} kohm",
            )
        )
    return rows


def _build(made: FrontEnd) -> list[str]:
    """What to solder, and what a meter must show before and after the board is joined."""
    rows = _head(
        "network", "top", "up", "down", "capacitor", "lead's tip to ground", "lead's tip to 3.3 V",
        "pin, tip on ground", "a volt moves the pin by",
    )  # fmt: skip
    for one in made.inputs:
        network = one.network
        to_ground = "open" if network.down_ohm is None else f"{(network.top_ohm + network.down_ohm) / 1e3:.1f} kohm"
        to_rail = "open" if network.up_ohm is None else f"{(network.top_ohm + network.up_ohm) / 1e3:.1f} kohm"
        rows.append(
            _row(
                one.name,
                value_code(network.top_ohm),
                "-" if network.up_ohm is None else value_code(network.up_ohm),
                "-" if network.down_ohm is None else value_code(network.down_ohm),
                f"{value_code(network.farad)}F",
                to_ground,
                to_rail,
                f"{network.bias_v:.2f} V",
                f"{1e3 * network.parallel_ohm / network.top_ohm:.0f} mV",
            )
        )
    return rows


def _errors(made: FrontEnd) -> list[str]:
    rows = _head(
        "network", "gain, worst", "gain, RSS", "zero, worst", "zero, RSS", "drift of gain, 40 K", "settling", "noise"
    )
    for one in made.inputs:
        budget = one.budget
        rows.append(
            _row(
                one.name,
                f"{100 * budget.worst_gain_ratio:.2f} %",
                f"{100 * budget.rss_gain_ratio:.2f} %",
                f"{1e3 * budget.worst_offset_v:.3g} mV",
                f"{1e3 * budget.rss_offset_v:.3g} mV",
                f"{100 * budget.drift_gain_ratio:.2f} %",
                f"{one.carried_codes:.2f} codes",
                f"{1e3 * budget.noise_v:.3g} mV",
            )
        )
    return rows


def _digital(made: FrontEnd) -> list[str]:
    rows = _head("line", "pin", "top", "down", "capacitor", "surely 0 below", "turns near", "surely 1 above")
    for line in made.lines:
        network = line.network
        rows.append(
            _row(
                f"`{line.role}`",
                f"GPIO{line.pin}",
                value_code(network.top_ohm),
                value_code(network.down_ohm or 0),
                f"{value_code(network.farad)}F",
                f"{line.surely_low_v:.1f} V",
                f"{line.threshold_v:.1f} V",
                f"{line.surely_high_v:.1f} V",
            )
        )
    return rows


def _corner(made: FrontEnd) -> list[str]:
    choice = choose_corner(10_000, made.rates)
    rows = _head("corner", "loss at 10 kHz", "off 250 kHz", "capacitor", "source impedance", "carried over", "")
    for one in choice.candidates:
        rows.append(
            _row(
                f"{one.corner_hz:g} Hz",
                f"{one.band_loss_db:.1f} dB",
                f"{one.residue_loss_db:.1f} dB",
                f"{value_code(one.farad)}F",
                f"{one.parallel_ohm:.0f} ohm",
                f"{one.carried_over_codes:.2f} codes",
                "taken" if one == choice.chosen else "loses too much" if one.refusal else "lets more residue in",
            )
        )
    return rows


def _disturbances(made: FrontEnd) -> list[str]:
    rows = _head("12 V vehicle", "at the lead", *(one.name for one in made.inputs))
    for k, stress in enumerate(made.inputs[0].stresses):
        cells = []
        for one in made.inputs:
            its = one.stresses[k]
            word = {"measured": "in range", "survives": "survives", "does not survive": "**does not survive**"}
            amps = f", {1e3 * its.clamp_a:.2g} mA" if its.clamp_a > 1e-5 else ""
            cells.append(word[its.judgement] + amps)
        disturbance = stress.disturbance
        behind = f" behind {disturbance.source_ohm:g} ohm" if disturbance.source_ohm else ""
        rows.append(
            _row(disturbance.name, f"{disturbance.volts:g} V{behind}, {_seconds(disturbance.duration_s)}", *cells)
        )
    return rows


def filled_page(page: str) -> str:
    """The page with its made parts replaced by today's. Raises ValueError where a mark is missing."""
    for name, lines in tables().items():
        begin = BEGIN.format(name)
        start = page.index(begin) + len(begin)
        page = page[:start] + "\n\n" + "\n".join(lines) + "\n\n" + page[page.index(END, start) :]
    return page


def main() -> int:
    """Write drawings and tables."""
    DRAWINGS.mkdir(exist_ok=True)
    for one in board().inputs:
        (DRAWINGS / f"{one.name.lower()}.svg").write_text(drawing(one), encoding="utf-8")
    PAGE.write_text(filled_page(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
