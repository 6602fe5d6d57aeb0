"""Random histories of a bench: dial, key, operator, devices, disk and clock, in any order."""

from collections.abc import Callable
from dataclasses import dataclass

from hypothesis import strategies as st
from station_bench import MS, Bench, S

from qsyd_rules.command import CommandName
from qsyd_rules.event import AmplifierRequest
from qsyd_rules.words import Mode

DIALS = (
    *(3_550_000, 3_599_950, 3_700_000, 3_950_000),
    *(7_050_000, 7_149_900, 7_150_100, 7_299_990),
    *(10_120_000, 14_050_000, 14_171_000, 14_174_990, 14_175_010, 14_176_500, 14_349_990, 14_350_010),
    *(18_100_000, 21_100_000, 21_420_000, 5_000_000, 0),
)


@dataclass(frozen=True)
class Deed:
    """Something that happens to a station, in words that a failing example shows."""

    name: str
    do: Callable[[Bench], None]

    def __repr__(self) -> str:
        return self.name


def _set(**fields: object) -> Callable[[Bench], None]:
    def change(bench: Bench) -> None:
        for name, value in fields.items():
            setattr(bench if hasattr(bench, name) else bench.rig, name, value)

    return change


def _toggle(bench: Bench, output: str, *, link: bool) -> None:
    """A device dies or comes back, with or without its link telling so."""
    if output not in bench.outputs:
        return
    dead = output in bench.failing
    if link:
        (bench.connect if dead else bench.lose)(output)
    elif dead:
        bench.failing.discard(output)
    else:
        bench.failing.add(output)


def _misread(bench: Bench, frequency_hz: int) -> None:
    bench.misread_hz = frequency_hz
    if not bench.rig.silent:
        bench.push()


def _tune(bench: Bench, frequency_hz: int, *, push: bool) -> None:
    bench.tune(frequency_hz, push=push and not bench.rig.silent)


def _spin(bench: Bench, by_hz: int, every_us: int, times: int) -> None:
    """Turn the dial to and fro, a report at every turn."""
    for turn in range(times):
        _tune(bench, bench.rig.frequency_hz + (by_hz if turn % 2 else -by_hz), push=True)
        bench.run(every_us)


def _leap(bench: Bench, dials: list[int]) -> None:
    for frequency_hz in dials:
        _tune(bench, frequency_hz, push=True)
        bench.run(60 * MS)


def _forget(bench: Bench, place: tuple[str, str]) -> None:
    bench.store({key: preset for key, preset in bench.presets.items() if key != place})


def _key(bench: Bench, *, down: bool, push: bool) -> None:
    bench.rig.keyed = down
    if push and not bench.rig.silent:
        bench.push()


dials = st.sampled_from(DIALS)
flags = st.booleans()
deeds = st.one_of(
    st.builds(lambda hz, push: Deed(f"tune({hz}, push={push})", lambda b: _tune(b, hz, push=push)), dials, flags),
    st.builds(lambda hz, push: Deed(f"tune({hz}, push={push})", lambda b: _tune(b, hz, push=push)), dials, flags),
    st.builds(lambda by: Deed(f"turn({by})", lambda b: _tune(b, b.rig.frequency_hz + by, push=True)), st.integers(-1500, 1500)),
    st.builds(
        lambda by, us, times: Deed(f"spin({by}, {us}, {times})", lambda b: _spin(b, by, us, times)),
        st.integers(1, 3000),
        st.sampled_from([10 * MS, 60 * MS, 170 * MS]),
        st.integers(2, 30),
    ),
    st.builds(lambda them: Deed(f"leap({them})", lambda b: _leap(b, them)), st.lists(dials, min_size=2, max_size=12)),
    st.builds(lambda down, push: Deed(f"key({down}, push={push})", lambda b: _key(b, down=down, push=push)), flags, flags),
    st.builds(lambda hz: Deed(f"misread({hz})", lambda b: _misread(b, hz)), dials),
    st.builds(lambda on, hz: Deed(f"split({on}, {hz})", _set(split=on, other_hz=hz)), flags, st.none() | dials),
    st.builds(lambda mode: Deed(f"mode({mode})", _set(mode=mode)), st.sampled_from([Mode.CW, Mode.DATA, Mode.USB])),
    st.builds(lambda it: Deed(f"ask({it})", lambda b: void(b.ask(it))), st.sampled_from(list(AmplifierRequest))),
    st.builds(
        lambda output, link: Deed(f"toggle({output}, link={link})", lambda b: _toggle(b, output, link=link)),
        st.sampled_from(["switch", "amp", "permit", "box"]),
        flags,
    ),
    st.builds(lambda it: Deed(f"refuse({it})", lambda b: b.refusing.symmetric_difference_update({it})), st.sampled_from(list(CommandName))),
    st.builds(lambda silent: Deed(f"silent({silent})", _set(silent=silent)), flags),
    st.just(Deed("cut", lambda b: b.cut_rig())),
    st.builds(lambda f, h: Deed(f"disk(fails={f}, hangs={h})", _set(intents_fail=f, intents_hang=h)), flags, flags),
    st.builds(lambda minute: Deed(f"minute({minute})", lambda b: b.turn_minute(minute)), st.sampled_from([0, 359, 360, 1320])),
    st.builds(lambda us: Deed(f"answers after {us} us", _set(answer_us=us)), st.sampled_from([0, 1 * MS, 40 * MS, 400 * MS])),
    st.builds(lambda place: Deed(f"forget({place})", lambda b: _forget(b, place)), st.sampled_from([("beam", "20m/1"), ("wire", "40m/1")])),
)  # fmt: skip
pauses = st.sampled_from([0, 1, 1 * MS, 3 * MS, 20 * MS, 51 * MS, 160 * MS, 700 * MS, 2500 * MS, 6 * S])
histories = st.lists(st.tuples(deeds, pauses), min_size=1, max_size=30)


def void(_: object) -> None:
    """For deeds whose answer nobody looks at."""
