"""The rules of a station, compiled: which of them decide at a frequency, in a mode, at an hour.

Selections hold while their `when` holds. For each setting (antenna, drive, amplifier) the first matching rule in file
order decides; what rules say besides (`inhibit`, `warn`, `send`) counts for all that match. Reactions answer events.

A rule's frequencies, bands and segments become intervals in an `IntervalIndex`. At each node of the index what can
be known beforehand is: for each mode, the clauses of a setting up to the first that always holds there. So the cost
of a decision hangs on the few rules with further conditions (rig, hour, amplifier, keyed), not on how many there are.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from qsyd_rules.interval_index import EVERYWHERE, Interval, IntervalIndex, intersect, merged
from qsyd_rules.quantity import format_minute
from qsyd_rules.station import Rule, Station, When
from qsyd_rules.tuning import Tuning
from qsyd_rules.words import AmplifierState, Mode

MINUTES_A_DAY = 1440


@dataclass(frozen=True, slots=True)
class Situation:
    """What a rule's conditions are held against. `minute` is the minute of the UTC day, None while unknown."""

    rig: str
    frequency_hz: int
    mode: Mode | None
    amplifier: AmplifierState
    keyed: bool
    minute: int | None
    tuning: Tuning | None = None
    """A tune-up under way; rules do not look at it."""
    held: str | None = None
    """The antenna that an operator holds."""


@dataclass(frozen=True, slots=True)
class Selections:
    """Which rules decide, as numbers in file order; `remarks` are all that inhibit, warn or send."""

    antenna: int | None
    drive: int | None
    amplifier: int | None
    remarks: tuple[int, ...]

    @property
    def deciding(self) -> tuple[int, ...]:
        """Every rule that decides anything, each once, in file order."""
        settings = [rule for rule in (self.antenna, self.drive, self.amplifier) if rule is not None]
        if not settings:
            return self.remarks
        return tuple(sorted({*settings, *self.remarks}))


class _Setting(Enum):
    ANTENNA = 0
    DRIVE = 1
    AMPLIFIER = 2
    REMARK = 3


@dataclass(frozen=True, slots=True)
class _Clause:
    """One setting of one rule, without its frequencies."""

    rule: int
    setting: _Setting
    when: When
    always: bool
    """Nothing besides frequency and mode is asked."""


@dataclass(frozen=True, slots=True)
class _Answer:
    """What one node of the index says in one mode: clauses in file order, cut after the first that always holds."""

    antenna: tuple[_Clause, ...]
    drive: tuple[_Clause, ...]
    amplifier: tuple[_Clause, ...]
    remarks_always: tuple[int, ...]
    remarks_maybe: tuple[_Clause, ...]


def holds_further(when: When, situation: Situation) -> bool:
    """Whether the conditions besides frequency and mode hold."""
    if when.rigs is not None and situation.rig not in when.rigs:
        return False
    if when.amplifier is not None and situation.amplifier not in when.amplifier:
        return False
    if when.keyed is not None and situation.keyed is not when.keyed:
        return False
    return when.between is None or _within(when.between, situation.minute)


def _within(between: Sequence[Interval], minute: int | None) -> bool:
    if minute is None:
        return False
    return any(
        (minute - start) % MINUTES_A_DAY < ((end - start) % MINUTES_A_DAY or MINUTES_A_DAY) for start, end in between
    )


class Rulebook:
    """The compiled rules of one station; immutable, and shared by every decision."""

    __slots__ = ("_answers", "_index", "_places", "_reactions", "rules")

    def __init__(self, station: Station) -> None:
        self.rules: tuple[Rule, ...] = station.rules
        self._places = _Places(station)
        clauses: list[tuple[Interval, _Clause]] = []
        reactions: dict[str, list[int]] = {}
        for number, rule in enumerate(station.rules):
            if rule.when.events is not None:
                for event in rule.when.events:
                    reactions.setdefault(event, []).append(number)
                continue
            for clause in _clauses(number, rule):
                clauses += [(interval, clause) for interval in self._places.of_clause(rule, clause.setting)]
        self._index = IntervalIndex(clauses)
        self._answers = {node: _by_mode(group) for node, group in self._index.groups.items()}
        self._reactions: Mapping[str, tuple[int, ...]] = {event: tuple(found) for event, found in reactions.items()}

    def select(self, situation: Situation) -> Selections:
        """Which selections decide in this situation."""
        antenna = drive = amplifier = None
        remarks: list[int] = []
        mode = situation.mode
        for node in self._index.nodes_at(situation.frequency_hz):
            answers = self._answers[node]
            answer = answers.get(mode) or answers[None]
            if answer.antenna:
                antenna = _first(answer.antenna, situation, antenna)
            if answer.drive:
                drive = _first(answer.drive, situation, drive)
            if answer.amplifier:
                amplifier = _first(answer.amplifier, situation, amplifier)
            remarks += answer.remarks_always
            remarks += [clause.rule for clause in answer.remarks_maybe if holds_further(clause.when, situation)]
        return Selections(antenna, drive, amplifier, tuple(sorted(remarks)))

    @property
    def has_reactions(self) -> bool:
        """Whether any rule answers events."""
        return bool(self._reactions)

    def reactions(self, event: str, situation: Situation) -> tuple[Rule, ...]:
        """The reactions to an event of this name that hold in this situation, in file order."""
        numbers = self._reactions.get(event, ())
        return tuple(
            rule
            for rule in (self.rules[number] for number in numbers)
            if self._places.holds(rule.when, situation.frequency_hz)
            and (rule.when.modes is None or situation.mode in rule.when.modes)
            and holds_further(rule.when, situation)
        )

    def matches(self, rule: Rule, situation: Situation) -> tuple[bool, str]:
        """Whether one selection holds, and in words why or why not; the plain reading that `select` must agree with."""
        when = rule.when
        for failed, because in self._conditions(when, situation):
            if failed:
                return False, because
        return True, "every condition holds" if when != When() else "it has no condition"

    def _conditions(self, when: When, situation: Situation) -> Iterable[tuple[bool, str]]:
        frequency_hz = situation.frequency_hz
        if when.events is not None:
            yield True, "it answers an event, it does not hold for a while"
        if when.rigs is not None:
            yield situation.rig not in when.rigs, f"the rig is {situation.rig}"
        if when.bands is not None:
            here = self._places.band_name(frequency_hz)
            yield here not in when.bands, f"the band is {here or 'none'}"
        if when.segments is not None:
            segment = self._places.segment_name(frequency_hz)
            yield segment not in when.segments, f"the segment is {segment or 'none'}"
        if when.frequencies_hz is not None:
            outside = not any(low <= frequency_hz < high for low, high in when.frequencies_hz)
            yield outside, "the frequency is outside its range"
        if when.modes is not None:
            yield situation.mode not in when.modes, f"the mode is {situation.mode or 'not given'}"
        if when.amplifier is not None:
            yield situation.amplifier not in when.amplifier, f"the amplifier is in {situation.amplifier}"
        if when.keyed is not None:
            keyed = "keyed" if situation.keyed else "not keyed"
            yield situation.keyed is not when.keyed, f"the rig is {keyed}"
        if when.between is not None:
            minute = situation.minute
            clock = "not given" if minute is None else f"{format_minute(minute)} UTC"
            yield not _within(when.between, minute), f"the time is {clock}"


def _clauses(number: int, rule: Rule) -> Iterable[_Clause]:
    when, then = rule.when, rule.then
    always = when.rigs is None and when.amplifier is None and when.keyed is None and when.between is None
    if then.antenna is not None:
        yield _Clause(number, _Setting.ANTENNA, when, always)
    if then.drive_w is not None:
        yield _Clause(number, _Setting.DRIVE, when, always)
    if then.amplifier_standby:
        yield _Clause(number, _Setting.AMPLIFIER, when, always)
    if then.inhibit is not None or then.warn is not None or then.send is not None:
        yield _Clause(number, _Setting.REMARK, when, always)


def _by_mode(group: Sequence[_Clause]) -> Mapping[Mode | None, _Answer]:
    """A node's answer for each mode that its clauses tell apart, and under None for all the others."""
    modes: set[Mode | None] = {None}
    for clause in group:
        modes |= clause.when.modes or frozenset()
    return {mode: _answer(group, mode) for mode in modes}


def _answer(group: Sequence[_Clause], mode: Mode | None) -> _Answer:
    lists: dict[_Setting, list[_Clause]] = {setting: [] for setting in _Setting}
    for clause in sorted(group, key=lambda each: each.rule):
        if clause.when.modes is not None and mode not in clause.when.modes:
            continue
        found = lists[clause.setting]
        if clause.setting is not _Setting.REMARK and found and found[-1].always:
            continue
        found.append(clause)
    remarks = lists[_Setting.REMARK]
    return _Answer(
        tuple(lists[_Setting.ANTENNA]),
        tuple(lists[_Setting.DRIVE]),
        tuple(lists[_Setting.AMPLIFIER]),
        tuple(clause.rule for clause in remarks if clause.always),
        tuple(clause for clause in remarks if not clause.always),
    )


def _first(clauses: Sequence[_Clause], situation: Situation, so_far: int | None) -> int | None:
    """The first rule that holds, or the one found so far if that comes earlier in the file."""
    for clause in clauses:
        if so_far is not None and clause.rule > so_far:
            return so_far
        if clause.always or holds_further(clause.when, situation):
            return clause.rule
    return so_far


class _Places:
    """Bands, segments and antennas of a station as intervals."""

    def __init__(self, station: Station) -> None:
        self._bands = {band.name: (band.low_hz, band.high_hz + 1) for band in station.bands}
        self._segments = {
            segment.name: (segment.low_hz, segment.high_hz + segment.topmost) for segment in station.segments
        }
        self._covered = {
            antenna.name: merged(self._bands[band] for band in antenna.bands if band in self._bands)
            for antenna in station.antennas
        }

    def of_clause(self, rule: Rule, setting: _Setting) -> tuple[Interval, ...]:
        """Where a clause holds; that of an antenna only on the bands which the antenna covers."""
        intervals = self.of_when(rule.when)
        if setting is _Setting.ANTENNA and rule.then.antenna is not None:
            return intersect(intervals, self._covered.get(rule.then.antenna, ()))
        return intervals

    def of_when(self, when: When) -> tuple[Interval, ...]:
        intervals: tuple[Interval, ...] = (EVERYWHERE,)
        if when.bands is not None:
            intervals = intersect(intervals, [self._bands[name] for name in when.bands if name in self._bands])
        if when.segments is not None:
            named = [self._segments[name] for name in when.segments if name in self._segments]
            intervals = intersect(intervals, named)
        if when.frequencies_hz is not None:
            intervals = intersect(intervals, when.frequencies_hz)
        return intervals

    def holds(self, when: When, frequency_hz: int) -> bool:
        return any(low <= frequency_hz < high for low, high in self.of_when(when))

    def band_name(self, frequency_hz: int) -> str | None:
        return next((name for name, (low, high) in self._bands.items() if low <= frequency_hz < high), None)

    def segment_name(self, frequency_hz: int) -> str | None:
        return next((name for name, (low, high) in self._segments.items() if low <= frequency_hz < high), None)
