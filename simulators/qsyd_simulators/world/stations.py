"""Invented stations for the campaign: the same few bands, wired in every way that matters to safety."""

from dataclasses import replace
from fractions import Fraction
from functools import cache

from qsyd_rules.band import Band
from qsyd_rules.command import CommandName
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Preset
from qsyd_rules.segment import Computed, Parts, Segment, segments_of
from qsyd_rules.station import (
    Amplifier,
    AmplifierLimits,
    Antenna,
    ChangeOverTimes,
    Rig,
    Rule,
    Station,
    Then,
    When,
    WithoutPreset,
)
from qsyd_rules.words import Mode
from qsyd_simulators.world.agenda import MS, S
from qsyd_simulators.world.layout import DevicePlan, Layout

BANDS = (
    Band("80m", 3_500_000, 3_800_000),
    Band("40m", 7_000_000, 7_200_000),
    Band("30m", 10_100_000, 10_150_000),
    Band("20m", 14_000_000, 14_350_000),
    Band("15m", 21_000_000, 21_450_000),
)
SWITCH = frozenset({CommandName.SELECT_ANTENNA})
PERMIT = frozenset({CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT})
AMPLIFIER = frozenset(CommandName) - SWITCH - PERMIT
NIGHT = (22 * 60, 6 * 60)


@cache
def layouts() -> tuple[Layout, ...]:
    """All of them, in an order that never changes."""
    usual = _station("Fen Edge")
    quick = _station("Long Barrow", warm_up_us=12 * S, drive_w=60)
    return (
        _layout(
            "permit on the amplifier", quick, (_device("switch", SWITCH), _device("amplifier", AMPLIFIER | PERMIT))
        ),
        replace(
            _layout(
                "permit apart",
                _station("Cold Harbour", warm_up_us=15 * S, key_down_us=5 * S),
                (_device("switch", SWITCH), _device("amplifier", AMPLIFIER), _device("permit", PERMIT)),
            ),
            senses_key=True,
        ),
        replace(
            _layout(
                "one box", _station("Mill Race", warm_up_us=20 * S), (_device("controller", frozenset(CommandName)),)
            ),
            poll_us=50 * MS,
        ),
        _layout(
            "meters",
            _station("Salt Pan", warm_up_us=15 * S, drive_w=50),
            (
                _device("switch", SWITCH),
                replace(_device("amplifier", AMPLIFIER), readings_every_us=200 * MS),
                _device("permit", PERMIT),
            ),
        ),
        replace(
            _layout(
                "permit falls by itself",
                _station("Gull Rock", warm_up_us=15 * S, night=True, key_down_us=8 * S),
                (_device("switch", SWITCH), _device("amplifier", AMPLIFIER), _device("permit", PERMIT)),
            ),
            drops_by_itself=True,
        ),
        _layout(
            "two permits",
            _station("Deep Lane", warm_up_us=15 * S, without=WithoutPreset.OPERATE),
            (_device("switch", SWITCH), _device("amplifier", AMPLIFIER | PERMIT), _device("permit", PERMIT)),
        ),
        replace(
            _layout(
                "unguarded",
                _station("Bare Hill", warm_up_us=15 * S),
                (_device("switch", SWITCH), _device("amplifier", AMPLIFIER)),
            ),
            permit_is_wired=False,
        ),
        _layout(
            "no amplifier",
            _station("Low Field", amplifier=False),
            (_device("switch", SWITCH), _device("permit", PERMIT)),
        ),
        replace(
            _layout(
                "slow rig",
                _station("Stone Quay", warm_up_us=15 * S),
                (_device("switch", SWITCH), _device("amplifier", AMPLIFIER), _device("permit", PERMIT)),
            ),
            poll_us=200 * MS,
            push=False,
        ),
        _layout("whole warm-up", usual, (_device("switch", SWITCH), _device("amplifier", AMPLIFIER | PERMIT))),
    )


@cache
def atlas_of(layout: int) -> Atlas:
    """The atlas of a layout's station; it takes long to prepare and is immutable."""
    return Atlas(layouts()[layout].station)


def _device(name: str, carries: frozenset[CommandName]) -> DevicePlan:
    return DevicePlan(name, carries)


def _layout(name: str, station: Station, devices: tuple[DevicePlan, ...]) -> Layout:
    if station.amplifier is None or station.amplifier.limits.drive_w is None:
        devices = tuple(replace(each, carries=each.carries - {CommandName.LIMIT_DRIVE}) for each in devices)
    return Layout(name, station, devices, _presets(station), poll_us=150 * MS)


def _segments() -> tuple[Segment, ...]:
    computed = Computed(Fraction(12), Fraction(7, 5))
    return tuple(
        segment for band in BANDS for segment in segments_of(band, Parts(3) if band.name == "20m" else computed)
    )


def _station(
    name: str,
    *,
    amplifier: bool = True,
    warm_up_us: int = 180 * S,
    drive_w: int | None = None,
    key_down_us: int = 180 * S,
    night: bool = False,
    without: WithoutPreset = WithoutPreset.STANDBY,
) -> Station:
    limits = AmplifierLimits(drive_w=drive_w, swr=Fraction(5, 2), key_down_us=key_down_us)
    rules = [
        Rule("off the edge", When(frequencies_hz=((14_340_000, 14_350_001),), modes=frozenset({Mode.USB})), _inhibit())
    ]
    if night:
        rules.append(Rule("loop at night", When(bands=frozenset({"40m"}), between=(NIGHT,)), Then(antenna="loop")))
    if drive_w is not None:
        rules.append(Rule("data runs cool", When(modes=frozenset({Mode.DATA})), Then(drive_w=25)))
    return Station(
        name=name,
        region=1,
        bands=BANDS,
        segments=_segments(),
        rigs=(Rig("main", 2 * S),),
        antennas=(
            Antenna("beam", 1, ("20m", "15m")),
            Antenna("wire", 2, ("80m", "40m", "30m")),
            Antenna("loop", 3, ("40m",), max_power_w=500),
        ),
        amplifier=Amplifier(
            "main",
            ("80m", "40m", "20m", "15m"),
            warm_up_us=warm_up_us,
            cool_down_us=min(warm_up_us, 60 * S),
            output_w=1200,
            without_preset=without,
            limits=limits,
        )
        if amplifier
        else None,
        change_over=ChangeOverTimes(),
        rules=tuple(rules),
    )


def _inhibit() -> Then:
    return Then(inhibit="an upper sideband would reach past the band")


def _presets(station: Station) -> dict[tuple[str, str], Preset]:
    """One for nearly every antenna and segment; the positions tell them apart."""
    return {
        (antenna.name, segment.name): Preset(
            antenna=antenna.name,
            segment=segment.name,
            tune=100 + number,
            load=200 + number,
            low_hz=segment.low_hz,
            high_hz=segment.high_hz,
        )
        for antenna in station.antennas
        for number, segment in enumerate(station.segments)
        if segment.band in antenna.bands and segment.name not in {"80m/2", "20m/3"}
    }
