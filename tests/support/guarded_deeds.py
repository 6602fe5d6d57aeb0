"""Random histories of a guarded bench: what may happen to it, and how long nothing does in between."""

from collections.abc import Callable
from dataclasses import dataclass

from guarded_bench import LOCKOUT, WARM_UP_US, Guarded
from hypothesis import strategies as st
from station_bench import MS, S

from qsyd_rules.command import CommandName
from qsyd_rules.event import (
    AmplifierRequest,
    FaultAcknowledged,
    Hold,
    HoldChanged,
    KeySensed,
    LockoutChanged,
    LoopStalled,
    TuningChanged,
)
from qsyd_rules.preset import Preset
from qsyd_rules.tuning import Tuning
from qsyd_rules.words import AmplifierState


@dataclass(frozen=True)
class Deed:
    """Something that happens to a station, in words that a failing example shows."""

    name: str
    do: Callable[[Guarded], object]

    def __repr__(self) -> str:
        return self.name


def _set(**fields: object) -> Callable[[Guarded], None]:
    def change(bench: Guarded) -> None:
        for name, value in fields.items():
            setattr(bench if hasattr(bench, name) else bench.rig, name, value)

    return change


def _toggle(bench: Guarded, output: str) -> None:
    if output in bench.outputs:
        (bench.connect if output in bench.failing else bench.lose)(output)


def _tune(bench: Guarded, frequency_hz: int) -> None:
    bench.tune(frequency_hz, push=not bench.rig.silent)


def _key(bench: Guarded, down: bool) -> None:
    bench.rig.keyed = down
    if not bench.rig.silent:
        bench.push()


def _hold(bench: Guarded, antenna: str | None, for_us: int) -> None:
    held = None if antenna is None else Hold(antenna, bench.now_us + for_us, "later", "jo")
    bench.tell(HoldChanged(bench.now_us, held, "jo"))


def _tune_up(bench: Guarded, place: tuple[str, str] | None, hold: str | None) -> None:
    tuning = None if place is None else Tuning(*place, 15, Preset(*place, 500, 600), hold)
    bench.tell(TuningChanged(bench.now_us, tuning))


def _misread(bench: Guarded, frequency_hz: int) -> None:
    bench.misread_hz = frequency_hz
    if not bench.rig.silent:
        bench.push()


dials = st.sampled_from(
    [3_550_000, 7_050_000, 7_149_900, 7_150_100, 10_120_000, 14_050_000, 14_174_990, 14_176_500, 21_100_000, 5_000_000]
)
flags = st.booleans()
requests = st.sampled_from(list(AmplifierRequest))
lies = st.sampled_from(
    [
        {},
        {"forward_w": 40.0},
        {"state": AmplifierState.STANDBY},
        {"state": AmplifierState.OPERATE},
        {"state": AmplifierState.WARM_UP},
        {"state": None},
        {"fault": "F7"},
        {"tune": 5},
    ]
)
deeds = st.one_of(
    st.builds(lambda hz: Deed(f"tune({hz})", lambda b: _tune(b, hz)), dials),
    st.builds(lambda hz: Deed(f"tune({hz})", lambda b: _tune(b, hz)), dials),
    st.builds(lambda down: Deed(f"key({down})", lambda b: _key(b, down)), flags),
    st.builds(
        lambda it: Deed(f"sense({it})", lambda b: b.tell(KeySensed(b.now_us, "main", it))),
        st.sampled_from([True, False, None]),
    ),
    st.builds(lambda hz: Deed(f"misread({hz})", lambda b: _misread(b, hz)), dials),
    st.builds(lambda on, hz: Deed(f"split({on}, {hz})", _set(split=on, other_hz=hz)), flags, st.none() | dials),
    st.builds(lambda it: Deed(f"ask({it})", lambda b: b.ask(it)), requests),
    st.builds(lambda it: Deed(f"ask({it})", lambda b: b.ask(it)), requests),
    st.builds(
        lambda it: Deed(f"toggle({it})", lambda b: _toggle(b, it)), st.sampled_from(["switch", "amp", "permit", "box"])
    ),
    st.builds(
        lambda it: Deed(f"refuse({it})", lambda b: b.refusing.symmetric_difference_update({it})),
        st.sampled_from(list(CommandName)),
    ),
    st.builds(lambda silent: Deed(f"silent({silent})", _set(silent=silent)), flags),
    st.just(Deed("cut", lambda b: b.cut_rig())),
    st.builds(lambda f, h: Deed(f"disk(fails={f}, hangs={h})", _set(intents_fail=f, intents_hang=h)), flags, flags),
    st.builds(
        lambda us: Deed(f"answers after {us} us", _set(answer_us=us)), st.sampled_from([0, 1 * MS, 40 * MS, 400 * MS])
    ),
    st.builds(lambda it: Deed(f"lie({it})", _set(lie=it)), lies),
    st.builds(lambda it: Deed(f"mute({it})", _set(mute=it)), flags),
    st.builds(
        lambda it: Deed("acknowledge", lambda b: b.tell(FaultAcknowledged(b.now_us, 1, None, "operator", it))),
        st.sampled_from([None, "looked at"]),
    ),
    st.builds(
        lambda it: Deed(f"lockout({it})", lambda b: b.tell(LockoutChanged(b.now_us, LOCKOUT if it else None))), flags
    ),
    st.builds(
        lambda it, us: Deed(f"hold({it}, {us} us)", lambda b: _hold(b, it, us)),
        st.sampled_from(["beam", "wire", "loop", None]),
        st.sampled_from([0, 1 * S, 100 * S]),
    ),
    st.builds(
        lambda it, why: Deed(f"tune up({it}, {why})", lambda b: _tune_up(b, it, why)),
        st.sampled_from([("beam", "20m/1"), ("beam", "20m/2"), ("wire", "40m/1"), ("wire", "80m/1"), None]),
        st.sampled_from([None, None, "a reading"]),
    ),
    st.builds(
        lambda us: Deed(f"stall({us})", lambda b: b.tell(LoopStalled(b.now_us, us))), st.sampled_from([600 * MS, 6 * S])
    ),
)
pauses = st.sampled_from([0, 1, 1 * MS, 20 * MS, 51 * MS, 160 * MS, 700 * MS, 2500 * MS, 6 * S, WARM_UP_US])
histories = st.lists(st.tuples(deeds, pauses), min_size=1, max_size=30)
