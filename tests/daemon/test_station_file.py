"""The station file: what it means, and that everything wrong with it is said at once, at its place."""

import os
import re
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from qsyd_daemon.links.line_port import InputLine, OutputLine
from qsyd_daemon.links.link import SerialAddress, TcpAddress
from qsyd_daemon.station_file.errors import Problem, Severity, StationFileError
from qsyd_daemon.station_file.load import SIZE_MAX, load_station, station_from_text
from qsyd_daemon.station_file.settings import (
    DeviceSettings,
    Expected,
    FileTest,
    JsonlSettings,
    KeySenseSettings,
    LeaseSettings,
    LineSettings,
    LogSettings,
    Protocol,
    RigLink,
    Simulated,
    StationFile,
)
from qsyd_rules.command import CommandName
from qsyd_rules.station import AmplifierLimits, Antenna, ChangeOverTimes, Rig, Send, WithoutPreset
from qsyd_rules.words import AmplifierState, LicenceClass, Mode

CORPUS = Path(__file__).with_name("broken_stations")
EXAMPLE = Path(__file__).with_name("example_station.yaml")
PORT = "/dev/serial/by-id/usb-cable"
LEAST = """station: Saltmarsh Hill
region: 2
rigs:
  main: {link: simulated}
antennas:
  wire: {port: 1, bands: [80m, 40m, 30m]}
  beam: {port: 2, bands: [20m, 10m]}
"""


def loaded(text: str) -> StationFile:
    return station_from_text(text, Path("station.yaml"))


def errors_of(text: str) -> list[Problem]:
    with pytest.raises(StationFileError) as caught:
        loaded(text)
    return [problem for problem in caught.value.problems if problem.severity is Severity.ERROR]


def warnings_of(text: str) -> list[tuple[int, int, str]]:
    return [(warning.line, warning.column, warning.text) for warning in loaded(text).warnings]


def _expectations() -> dict[str, list[tuple[int, int, str]]]:
    table: dict[str, list[tuple[int, int, str]]] = {}
    for row in (CORPUS / "expected.txt").read_text().splitlines()[1:]:
        _, name, place, words = row.split(" | ")
        line, column = place.split(":")
        table.setdefault(name, []).append((int(line), int(column), words))
    return table


BROKEN = _expectations()


def test_every_broken_file_has_an_expectation() -> None:
    classes = {row.split(" | ")[0] for row in (CORPUS / "expected.txt").read_text().splitlines()[1:]}

    assert {path.name for path in CORPUS.glob("*.yaml")} == set(BROKEN)
    assert len(BROKEN) >= 45
    assert len(classes) >= 35


@pytest.mark.parametrize("name", sorted(BROKEN))
def test_broken_files_are_refused_with_all_errors_at_their_places(name: str) -> None:
    """Exactly the errors expected, none besides, each printable in one line."""
    started = time.perf_counter()
    with pytest.raises(StationFileError) as caught:
        load_station(CORPUS / name)
    took_s = time.perf_counter() - started

    errors = [problem for problem in caught.value.problems if problem.severity is Severity.ERROR]
    assert [(error.line, error.column) for error in errors] == sorted(place[:2] for place in BROKEN[name])
    for error, (_, _, words) in zip(errors, sorted(BROKEN[name], key=lambda place: place[:2]), strict=True):
        printed = error.printed(CORPUS / name)
        assert words in printed
        assert printed.startswith(f"{CORPUS / name}:{error.line}:{error.column}: error: ")
        assert "; " in printed
        assert printed.isprintable()
    assert took_s < 1.0


def test_the_example_station_means_what_it_says() -> None:
    file = load_station(EXAMPLE)
    station = file.station

    assert (station.name, station.region) == ("Breakwater Point", 2)
    assert station.privileges is not None
    assert station.privileges.licence is LicenceClass.US_EXTRA
    assert station.rigs == (Rig("main", 2_000_000),)
    assert file.rig_links == {
        "main": RigLink(
            SerialAddress("/dev/serial/by-id/usb-rig", 38400), Protocol.ASCII_CAT, 11, 0x94, poll_us=50_000, push=True
        )
    }
    assert station.antennas == (
        Antenna("hilltop-beam", 1, ("20m", "17m", "15m", "12m", "10m"), 1500),
        Antenna("harbour-wire", 2, ("80m", "40m")),
        Antenna("low-loop", 3, ("40m",), 500),
    )
    amplifier = station.amplifier
    assert amplifier is not None
    assert (amplifier.follows, amplifier.output_w, amplifier.without_preset) == ("main", 1450, WithoutPreset.STANDBY)
    assert (amplifier.warm_up_us, amplifier.cool_down_us) == (180_000_000, 120_000_000)
    assert amplifier.bands == ("80m", "40m", "20m", "17m", "15m", "12m", "10m")
    assert amplifier.limits == AmplifierLimits(120, 1000, 150, Fraction(5, 2), 75)
    assert station.change_over == ChangeOverTimes(50_000, 30_000, 300_000, 150_000, 1_000)
    assert [(s.name, s.low_hz, s.high_hz) for s in station.segments if s.band in ("20m", "40m")] == [
        ("40m/1", 7_000_000, 7_125_000),
        ("40m/2", 7_125_000, 7_300_000),
        ("20m/1", 14_000_000, 14_175_000),
        ("20m/2", 14_175_000, 14_350_000),
    ]
    assert file.warnings == ()


def test_the_rules_of_the_example_station() -> None:
    loop, data, edge, phone = load_station(EXAMPLE).station.rules

    assert (loop.name, loop.when.bands, loop.when.between) == ("loop at night", frozenset({"40m"}), ((1320, 360),))
    assert loop.then.antenna == "low-loop"
    assert (data.when.modes, data.then.drive_w) == (frozenset({Mode.DATA}), 25)
    assert edge.when.frequencies_hz == ((14_347_000, 14_351_000),)
    assert edge.then.inhibit == "an upper sideband would reach past the band"
    assert phone.when.events == frozenset({"fault"})
    assert phone.then.send == Send("journal", "{station}: {code} on {segment}")


def test_the_outputs_and_tests_of_the_example_station() -> None:
    file = load_station(EXAMPLE)
    switch, amp, journal = file.outputs

    assert switch == DeviceSettings(
        "switch",
        TcpAddress("127.0.0.1", 5001),
        {CommandName.SELECT_ANTENNA: "PORT {port}\n"},
        "^OK",
        timeout_us=500_000,
        retries=2,
        readings=None,
    )
    assert isinstance(amp, DeviceSettings)
    assert amp.address == SerialAddress("/dev/serial/by-id/usb-amp", 9600)
    assert amp.commands[CommandName.RECALL_PRESET] == "TANK {tune} {load}\n"
    assert amp.readings is not None
    assert amp.readings.names == ("forward_w", "reflected_w", "grid_ma", "tune", "load")
    assert (amp.readings.every_us, amp.readings.stale_after_us) == (200_000, 1_000_000)
    assert journal == JsonlSettings("journal", Path("events.jsonl"))
    (line,) = [n for n, row in enumerate(EXAMPLE.read_text().splitlines(), 1) if "frequency: 14.205 MHz" in row]
    assert file.tests == (
        FileTest(
            14_205_000,
            None,
            None,
            {"antenna": Expected("hilltop-beam", line, 47), "segment": Expected("20m/2", line, 70)},
            line,
            5,
        ),
    )


def test_limits_of_the_amplifier_are_ranges_and_quantities() -> None:
    limits = "{gain: 15..40, plate_voltage: 2.5 kV..4.2 kV, temperature: 90 °C, dissipation: 1.5 kW, key_down: 2 min}"
    amplifier = loaded(LEAST + f"amplifier: {{limits: {limits}}}\n").station.amplifier

    assert amplifier is not None
    assert amplifier.limits == AmplifierLimits(
        gain_min=Fraction(15),
        gain_max=Fraction(40),
        plate_voltage_min_v=2500,
        plate_voltage_max_v=4200,
        temperature_c=90,
        dissipation_w=1500,
        key_down_us=120_000_000,
    )


def test_limits_that_are_not_written_have_their_defaults() -> None:
    file = loaded(LEAST + "amplifier: {}\n")
    defaults = dict(file.defaults)

    assert file.station.amplifier is not None
    assert file.station.amplifier.limits == AmplifierLimits()
    assert (defaults["amplifier.limits.forward_floor"], defaults["amplifier.limits.key_down"]) == ("30 W", "180 s")
    assert defaults["amplifier.limits.gain"] == defaults["amplifier.limits.temperature"] == "none"


@pytest.mark.parametrize(
    ("keys", "address", "line", "active_high"),
    [
        ("line: rts", SerialAddress(PORT, drop_on_close=True), OutputLine.RTS, True),
        ("line: dtr, active: high", SerialAddress(PORT, drop_on_close=True), OutputLine.DTR, True),
        ("line: rts, active: low", SerialAddress(PORT, rts_high=True), OutputLine.RTS, False),
        ("line: dtr, active: low", SerialAddress(PORT, dtr_high=True), OutputLine.DTR, False),
    ],
)
def test_a_permit_line_is_held_at_the_level_that_inhibits(
    keys: str, address: SerialAddress, line: OutputLine, active_high: bool
) -> None:
    file = loaded(LEAST + f"outputs: {{ptt: {{kind: line, link: serial:{PORT}, {keys}}}}}\n")

    assert file.outputs == (LineSettings("ptt", address, line, active_high),)
    assert dict(file.defaults).get("outputs.ptt.active") == (None if "active" in keys else "high")


def test_a_band_without_its_unit_gets_it_back() -> None:
    text = LEAST.replace("[20m, 10m]", "[20, 10m]") + "rules: [{name: a, when: {band: 80}, then: {antenna: wire}}]\n"
    assert [(each.line, each.text, each.hint) for each in errors_of(text)] == [
        (7, "the bare number 20 is not a band", "write the band's name with its unit, such as 20m"),
        (8, "the bare number 80 is not a band", "write the band's name with its unit, such as 80m"),
    ]


def test_a_faulty_link_hides_no_other_fault_and_brings_none() -> None:
    """All errors at once: a person fixes the file in one go, and never learns of the next fault by fixing the last."""
    text = LEAST.replace("{link: simulated}", "{link: serail:/dev/rig, baud: 9600, address: 0x94}")
    text += f"""outputs:
  one: {{kind: device, link: tcp:h:99999, commands: {{select-antenna: "{{prot}}"}}, acknowledge: '['}}
  two: {{kind: device, link: tcp, baud: 9600, commands: {{select-antenna: "{{port}}"}}, acknowledge: 'OK'}}
  ptt: {{kind: line, link: serial, line: rts}}
  ttp: {{kind: line, link: serial:{PORT}, line: rts}}
"""
    told = [(problem.line, problem.text) for problem in errors_of(text)]
    assert [line for line, _ in told] == [4, 4, 9, 9, 9, 10, 11], told
    words = "\n".join(text for _, text in told)
    for said in ("serail", "`address` is for protocol ci-v", "99999", "prot", "not a regular expression"):
        assert said in words


def test_a_lease_is_renewed_every_second_unless_written_otherwise() -> None:
    commands = 'commands: {inhibit-transmit: "HOLD\\n", release-transmit: "FREE\\n"}'
    text = LEAST + f'outputs: {{amp: {{kind: device, link: tcp:h:1, {commands}, lease: {{renew: "KEEP\\n"}}}}}}\n'
    (amp,) = loaded(text).outputs

    assert isinstance(amp, DeviceSettings)
    assert amp.lease == LeaseSettings("KEEP\n", 1_000_000, answered=True)
    assert dict(loaded(text).defaults)["outputs.amp.lease.every"] == "1 s"


@pytest.mark.parametrize(
    ("keys", "sense"),
    [
        ("{line: cts}", KeySenseSettings(InputLine.CTS, True, None)),
        (f"{{line: dsr, active: low, link: serial:{PORT}}}", KeySenseSettings(InputLine.DSR, False, None)),
        ("{line: cts, link: serial:/dev/key}", KeySenseSettings(InputLine.CTS, True, SerialAddress("/dev/key"))),
    ],
)
def test_a_key_is_sensed_on_the_rigs_own_port_or_another(keys: str, sense: KeySenseSettings) -> None:
    file = loaded(LEAST.replace("{link: simulated}", f"{{link: serial:{PORT}, key_sense: {keys}}}"))

    assert file.rig_links["main"].key_sense == sense


def test_four_keys_are_enough_and_the_rest_is_told() -> None:
    file = loaded(LEAST + "amplifier: {}\noutputs: {log: {kind: log}, notes: {kind: jsonl}}\n")
    defaults = dict(file.defaults)

    assert file.rig_links["main"].address == Simulated()
    assert file.outputs == (LogSettings("log"), JsonlSettings("notes", Path("notes.jsonl")))
    assert file.station.amplifier is not None
    assert file.station.amplifier.follows == defaults["amplifier.follows"] == "main"
    assert file.station.amplifier.bands == ("80m", "40m", "20m", "10m")
    assert defaults["amplifier.bands"].startswith("80m, 40m, 20m, 10m (")
    assert (defaults["amplifier.warm_up"], defaults["change_over.guard"]) == ("180 s", "50 ms")
    assert (defaults["rigs.main.poll"], defaults["rigs.main.push"]) == ("50 ms", "false")
    assert (defaults["privileges"], defaults["rules"], defaults["tests"]) == ("none", "none", "none")
    assert defaults["segments.20m"].endswith(" (computed)")
    assert "rigs.main.baud" not in defaults


def test_what_is_written_is_no_default() -> None:
    defaults = dict(loaded(LEAST + "change_over: {guard: 60 ms}\nsegments: {20m: 3}\n").defaults)

    assert "change_over.guard" not in defaults
    assert "segments.20m" not in defaults
    assert defaults["change_over.rest"] == "150 ms"


def test_scalars_have_the_meaning_of_yaml_1_2() -> None:
    """YAML 1.2.2, 10.3.2 core schema (from memory): only true and false are booleans, and 010 is ten."""
    text = LEAST.replace("Saltmarsh Hill", "off").replace("port: 1", "port: 010").replace("port: 2", "port: no")
    file = loaded(
        text
        + "segments: {loaded_q: 1e1, 20m: 0x2, 10m: 0o10}\nrules: [{name: '1:30', when: {amplifier: off}, then: {warn: x}}]\n"
    )

    assert file.station.name == "off"
    assert [antenna.port for antenna in file.station.antennas] == [10, "no"]
    assert sum(segment.band == "20m" for segment in file.station.segments) == 2
    assert sum(segment.band == "10m" for segment in file.station.segments) == 8
    assert file.station.rules[0].name == "1:30"
    assert file.station.rules[0].when.amplifier == frozenset({AmplifierState.OFF})


@pytest.mark.parametrize(
    ("more", "place", "words"),
    [
        ("amplifier: {warm_up: 60 s}\n", (8, 22), "under 120 s"),
        ("amplifier: {bands: [20m, 15m]}\n", (8, 26), "no antenna covers 15m"),
        (
            f"outputs: {{p: {{kind: line, link: serial:{PORT}, line: rts, active: low}}}}\n",
            (8, 88),
            "when the daemon dies",
        ),
        ("outputs: {p: {kind: line, link: serial:/dev/ttyUSB0, line: rts}}\n", (8, 33), "may be another device"),
        ("rules: [{when: {band: 15m}, then: {drive: 25 W}}]\n", (8, 23), "no antenna covers 15m"),
        ("rules: [{when: {band: 20m}, then: {antenna: wire}}]\n", (8, 45), "covers no band of this rule"),
        ("rules: [{then: {drive: 25 W}}, {then: {drive: 30 W}}]\n", (8, 47), "`rule 1` always decides the drive"),
        ("rules: [{then: {antenna: wire}}, {then: {antenna: wire}}]\n", (8, 51), "`rule 1` always decides the antenna"),
        ("rules: [{then: {inhibit: no}}]\n", (8, 26), "`no` is a word here"),
        ("rules: [{when: {frequency: 8..9 MHz}, then: {warn: x}}]\n", (8, 28), "touches no band"),
        ("outputs: {box: {kind: device, link: serial:/dev/ttyUSB0}}\n", (8, 37), "/dev/ttyUSB0 may be another device"),
        ("outputs: {box: {kind: device, link: tcp:h:1}}\n", (8, 11), "takes no command"),
        (
            "outputs: {box: {kind: device, link: tcp:h:1, commands: {amplifier-on: 'H\\n'}}}\n",
            (8, 71),
            "written-out backslash",
        ),
    ],
)
def test_doubtful_files_load_with_a_warning(more: str, place: tuple[int, int], words: str) -> None:
    found = warnings_of(LEAST + more)

    assert any((line, column) == place and words in text for line, column, text in found), found


def test_matching_unit_that_nothing_sets_is_warned_of_and_one_that_is_set_is_not() -> None:
    text = LEAST.replace("30m]}", "30m], matching: 3}")
    text += "amplifier: {warm_up: 180 s}\n"
    (warning,) = loaded(text).warnings
    assert warning.text.startswith("no output sets this matching unit")
    assert loaded(text).station.antennas[0].matching == 3

    device = "{kind: device, link: tcp:127.0.0.1:5003, commands: {recall-preset: 'M {matching}'}}"
    assert loaded(text + "outputs: {unit: " + device + "}\n").warnings == ()


def test_a_warning_is_printed_as_one() -> None:
    (warning,) = loaded(LEAST + "amplifier: {warm_up: 60 s}\n").warnings

    assert warning.printed("station.yaml").startswith("station.yaml:8:22: warning: warm-up is under 120 s; ")


def test_a_byte_order_mark_is_harmless() -> None:
    assert loaded("\ufeff" + LEAST).station.name == "Saltmarsh Hill"
    assert (errors_of("\ufeff" + LEAST.replace("region: 2", "region: 9"))[0].column) == 9


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (("'^OK'", "'^OK"), 57),  # noticed only where the next quote stands, lines below
        (('"HEAT 1\\n"', '"HEAT 1\\n'), 67),
        (("max_power: 500 W}", "max_power: 500 W"), 19),
        (("inhibit-transmit:", "inhibit-transmit"), 65),
    ],
)
def test_a_mistake_in_the_syntax_is_placed_where_it_was_made(change: tuple[str, str], line: int) -> None:
    """At most a line from it, though the parser notices some of them much later."""
    text = EXAMPLE.read_text().replace(*change, 1)

    assert EXAMPLE.read_text().splitlines()[line - 1] != text.splitlines()[line - 1]
    assert abs(errors_of(text)[0].line - line) <= 1


def test_lines_end_in_any_way() -> None:
    for end in ("\r\n", "\r"):
        text = (LEAST + "amplifier: {warm_up: 0 s}\n").replace("\n", end)
        assert [(error.line, error.column) for error in errors_of(text)] == [(8, 22)]


def test_a_faulty_value_is_not_also_called_missing_or_unknown() -> None:
    """What follows from an error is not a second one: the antenna exists, only its port is wrong."""
    text = LEAST.replace("port: 2", "port: [2]").replace("[20m, 10m]", "[20m, 5]")
    found = errors_of(text + "rules: [{when: {band: 20m}, then: {antenna: beam}}]\n")

    assert [(error.line, error.column) for error in found] == [(7, 16), (7, 34)]


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: None, "cannot be read"),
        (lambda path: path.mkdir(), "Is a directory"),
        (lambda path: os.mkfifo(path), "not an ordinary file"),
        (lambda path: path.write_bytes(b"x" * (SIZE_MAX + 1)), "more than 4 MiB"),
        (lambda path: path.write_bytes(b""), "the file is empty"),
    ],
)
def test_what_is_no_file_is_refused_at_once(tmp_path: Path, make: Callable[[Path], object], words: str) -> None:
    make(tmp_path / "station.yaml")

    with pytest.raises(StationFileError, match=words):
        load_station(tmp_path / "station.yaml")


@pytest.mark.parametrize(
    "text",
    [
        "rules: " + "[" * 100_000,
        "rules: " + "[ " * 60 + "]" * 60,
        "{a: " * 100_000,
        "".join(f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9) if n else 'x'}]\n" for n in range(9)),
        "rules: &again [*again]\n",
        LEAST + "rules: '" + "x" * 4_000_000,
        LEAST + "station: " + "9" * 4_000_000,
        LEAST + "rules: [" + "[]," * 60_000 + "]",
    ],
    ids=["brackets", "brackets closed", "braces", "aliases", "recursive", "open quote", "digits", "wide"],
)
def test_bombs_are_refused_in_time(text: str) -> None:
    started = time.process_time()
    found = errors_of(text)
    took_s = time.process_time() - started

    assert found
    assert took_s < 10.0  # of the processor; measured: at most 0.1 s, the wide one 2 s for its 60,000 errors


def test_a_large_file_without_anchors_loads(tmp_path: Path) -> None:
    rule = "  - name: rule number {0} of a long list, with a name that fills its line\n    when: {{band: 40m}}\n    then: {{antenna: wire}}\n"
    text = LEAST + "rules:\n" + "".join(rule.format(n) for n in range(30_000))
    path = tmp_path / "station.yaml"
    path.write_text(text)

    assert 3_500_000 < len(text) < SIZE_MAX
    assert len(load_station(path).station.rules) == 30_000


TOKEN = re.compile(r"[A-Za-z0-9_.-]+|[^\sA-Za-z0-9]|\s+")
TOKENS = tuple(TOKEN.findall(EXAMPLE.read_text()))
ODD = st.sampled_from(
    [
        "",
        " ",
        "\n",
        "\t",
        ":",
        "- ",
        "[",
        "]",
        "{",
        "}",
        "'",
        '"',
        "&a",
        "*a",
        "!!str ",
        "<<: ",
        "~",
        "null",
        "true",
        "off",
        "0",
        "-1",
        "1e999",
        ".nan",
        "7 MHz",
        "180 s",
        "40m",
        "40m/1",
        "main",
        "device",
        "\x00",
        "\u2028",
        "é",
        "#",
        ">",
        "%",
        "@",
    ]
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(
        st.tuples(st.integers(0, len(TOKENS) - 1), st.one_of(ODD, st.sampled_from(TOKENS))), min_size=1, max_size=4
    )
)
def test_changed_files_load_or_are_refused_in_words(changes: list[tuple[int, str]]) -> None:
    tokens = list(TOKENS)
    for position, token in changes:
        tokens[position] = token

    _loads_or_explains("".join(tokens))


@settings(max_examples=75, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_files_with_lines_moved_or_lost_load_or_are_refused_in_words(data: st.DataObject) -> None:
    lines = EXAMPLE.read_text().splitlines(keepends=True)
    for _ in range(data.draw(st.integers(1, 3))):
        line = lines.pop(data.draw(st.integers(0, len(lines) - 1)))
        if data.draw(st.booleans()):
            lines.insert(data.draw(st.integers(0, len(lines))), line)

    _loads_or_explains("".join(lines))


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=60))
def test_any_text_is_refused_in_words(text: str) -> None:
    _loads_or_explains(text)


def _loads_or_explains(text: str) -> None:
    for problem in _problems(text):
        assert 1 <= problem.line <= text.count("\n") + text.count("\r") + 2
        assert problem.column >= 1
        assert problem.hint
        assert problem.printed("station.yaml").isprintable()


def _problems(text: str) -> tuple[Problem, ...]:
    try:
        return loaded(text).warnings
    except StationFileError as error:
        return error.problems
