"""`qsyd plan --advice`: how many segments a band needs on each antenna, and why."""

import json
from typing import Any

from qsyd_daemon.commands.opened import Opened
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.text_table import table
from qsyd_rules.quantity import format_frequency
from qsyd_rules.segment_advice import PARTS_MOST, Advice, Source, advice_of


def show_advice(opened: Opened, *, as_json: bool) -> ExitCode:
    """Print the advice."""
    advice = advice_of(opened.file.station, opened.presets)
    if as_json:
        print(json.dumps([_shown(each) for each in advice], indent=2))
    else:
        print("\n".join(_lines(opened, advice)))
    return ExitCode.DONE


def _shown(advice: Advice) -> dict[str, Any]:
    circuit = advice.resonator
    width_hz = circuit.bandwidth_hz if circuit is not None else None
    return {
        "antenna": advice.antenna,
        "band": advice.band,
        "segments": advice.segments,
        "edge_swr": round(advice.edge_swr, 2),
        "wanted_swr": advice.wanted_swr,
        "needed": advice.needed,
        "needed_edge_swr": None if advice.needed_edge_swr is None else round(advice.needed_edge_swr, 2),
        "source": str(advice.source),
        "points": advice.points,
        "resonance_hz": None if circuit is None else round(circuit.resonance_hz),
        "resonance_swr": None if circuit is None else round(circuit.best_swr, 2),
        "bandwidth_hz": None if width_hz is None else round(width_hz),
    }


def _lines(opened: Opened, advice: tuple[Advice, ...]) -> list[str]:
    if not advice:
        return ["no antenna serves a band with the amplifier: there is nothing to advise"]
    tank = opened.file.station.computed
    lines = table(
        ("antenna", "band", "segments", "worst edge", "needed", "then", "what is known of the antenna"),
        [
            (
                each.antenna,
                each.band,
                str(each.segments),
                f"{each.edge_swr:.2f}",
                f"over {PARTS_MOST}" if each.needed is None else str(each.needed),
                "-" if each.needed_edge_swr is None else f"{each.needed_edge_swr:.2f}",
                _known(each),
            )
            for each in advice
        ],
        right=frozenset({2, 3, 4, 5}),
    )
    return [
        *lines,
        "",
        f"The worst edge is the most that the tube may see there, with tank (loaded Q {float(tank.loaded_q):g})",
        f"and antenna tuned at each centre; `needed` keeps it to {float(tank.edge_swr):g}. Above SWR 2.5, or with",
        "a long line, it may be worse.",
        *(_UNKNOWN if any(each.resonator is None for each in advice) else ()),
    ]


_UNKNOWN = (
    "Where nothing is known of the antenna the tank alone counts; readings of three",
    "presets, or `resonances` in the station file, would tell more.",
)


def _known(advice: Advice) -> str:
    circuit = advice.resonator
    if circuit is None:
        return "nothing"
    width_hz = circuit.bandwidth_hz
    width = "never below 2:1" if width_hz is None else f"{format_frequency(_whole_khz(width_hz))} wide within 2:1"
    source = f"measured, {advice.points} presets" if advice.source is Source.MEASURED else "from the station file"
    resonance = format_frequency(_whole_khz(circuit.resonance_hz))
    return f"resonant at {resonance} with SWR {circuit.best_swr:.2f}, {width} ({source})"


def _whole_khz(hz: float) -> int:
    """Nobody knows an antenna to the hertz."""
    return round(hz / 1000) * 1000
