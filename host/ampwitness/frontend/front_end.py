"""All inputs of a board: designed from wishes, or read from board_config, and judged in one way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import ModuleType

from ampwitness.frontend.budget import ErrorBudget, SourceLoading, Tolerances, error_budget, source_loading
from ampwitness.frontend.corner import BoardRates, CornerChoice, board_rates, choose_corner
from ampwitness.frontend.design import DesignedInput, design_input
from ampwitness.frontend.digital import DigitalDivider, design_divider
from ampwitness.frontend.disturbances import DISTURBANCES, Disturbance, Stress, stress
from ampwitness.frontend.network import InputNetwork, network_from_parts
from ampwitness.frontend.settling import PESSIMISTIC_SAMPLING_FARAD, carried_over_codes
from ampwitness.frontend.wishes import Wish


@dataclass(frozen=True, slots=True)
class JudgedInput:
    """One network with everything that follows from its parts.

    wish : None where the network was read from board_config
    carried_codes, carried_worst_codes : what the multiplexer carries over, at 1 pF and at the worst published reading
    loading : of a line-level source; None for other inputs
    signal : stress by the ends of the wanted range (of the range itself without a wish)
    stresses : by what can go wrong
    """

    name: str
    roles: tuple[str, ...]
    network: InputNetwork
    wish: Wish | None
    remark: str
    is_on_supply: bool
    budget: ErrorBudget
    carried_codes: float
    carried_worst_codes: float
    loading: SourceLoading | None
    signal: tuple[Stress, ...]
    stresses: tuple[Stress, ...]

    @property
    def resistor_w(self) -> float | None:
        """Rating that the top resistor needs for all it can survive; None: it survives nothing."""
        needed = [one.resistor_w for one in (*self.signal, *self.stresses) if one.resistor_w is not None]
        return max(needed) if needed else None


@dataclass(frozen=True, slots=True)
class FrontEnd:
    """The inputs of one board. `corner` is None where they were read, not designed; `lines` are its digital ones."""

    system_v: int
    corner_hz: float
    corner: CornerChoice | None
    rates: BoardRates
    tolerances: Tolerances
    inputs: tuple[JudgedInput, ...]
    reference_v: float
    lines: tuple[DigitalDivider, ...]


def design_front_end(
    wishes: Sequence[Wish],
    bandwidth_hz: float,
    system_v: int,
    config: ModuleType,
    *,
    series: tuple[int, ...] = (24, 96),
    tolerances: Tolerances | None = None,
) -> FrontEnd:
    """Design a network for every wish, with one corner for all.

    Parameters
    ----------
    wishes : what each kind of terminal must hold
    bandwidth_hz : highest frequency of interest
    system_v : 12 or 24, for the disturbances
    config : board_config, for the reference and the rates
    series : preferred values to choose from
    tolerances : None: those of common parts

    Raises
    ------
    UsageError : a wish that cannot be had
    """
    limits = tolerances or Tolerances()
    rates = board_rates(config)
    corner = choose_corner(bandwidth_hz, rates)
    chosen = corner.chosen
    designed = [
        design_input(wish, chosen.corner_hz, chosen.parallel_ohm, chosen.farad, config.REFERENCE_V, series, limits)
        for wish in wishes
    ]
    inputs = tuple(_judge_designed(one, system_v, rates, limits) for one in designed)
    return FrontEnd(
        system_v, chosen.corner_hz, corner, rates, limits, inputs, config.REFERENCE_V, _lines(config, system_v)
    )


def read_front_end(
    config: ModuleType, wishes: Sequence[Wish], system_v: int, tolerances: Tolerances | None = None
) -> FrontEnd:
    """Judge the networks of a board_config by the same rules; a wish names the roles of one network."""
    limits = tolerances or Tolerances()
    rates = board_rates(config)
    inputs = tuple(
        judge_input(
            network_from_parts(wish.roles[0], config.REFERENCE_V, config.INPUT_OF_ROLE[wish.roles[0]]),
            wish,
            system_v,
            rates,
            limits,
        )
        for wish in wishes
    )
    return FrontEnd(
        system_v,
        float(config.INPUT_CORNER_HZ),
        None,
        rates,
        limits,
        inputs,
        config.REFERENCE_V,
        _lines(config, system_v),
    )


def judge_input(
    network: InputNetwork, wish: Wish, system_v: int, rates: BoardRates, tolerances: Tolerances, remark: str = ""
) -> JudgedInput:
    """Budget, settling, loading and stresses of one network."""
    ends = tuple(
        Disturbance("largest signal", volts, 0.0, 3600.0, 0.0, "the wish")
        for volts in {wish.low_v, wish.high_v}
        if volts
    )
    return JudgedInput(
        name=wish.name,
        roles=wish.roles,
        network=network,
        wish=wish,
        remark=remark,
        is_on_supply=wish.is_on_supply,
        budget=error_budget(network, tolerances),
        carried_codes=carried_over_codes(network, rates.visit_s),
        carried_worst_codes=carried_over_codes(network, rates.visit_s, PESSIMISTIC_SAMPLING_FARAD),
        loading=source_loading(network) if "source" in wish.roles else None,
        signal=tuple(stress(network, end) for end in sorted(ends, key=lambda end: end.volts)),
        stresses=tuple(stress(network, disturbance) for disturbance in DISTURBANCES[system_v]),
    )


def input_of_role(front_end: FrontEnd) -> Mapping[str, dict[str, float | None]]:
    """Parts by role, as board_config's INPUT_OF_ROLE gives them."""
    return {role: one.network.parts() for one in front_end.inputs for role in one.roles}


def _lines(config: ModuleType, system_v: int) -> tuple[DigitalDivider, ...]:
    return tuple(
        design_divider(role, pin, threshold_v, config.REFERENCE_V, system_v)
        for role, pin, threshold_v in config.DIGITAL
        if threshold_v is not None
    )


def _judge_designed(one: DesignedInput, system_v: int, rates: BoardRates, tolerances: Tolerances) -> JudgedInput:
    return judge_input(one.network, one.wish, system_v, rates, tolerances, one.remark)
