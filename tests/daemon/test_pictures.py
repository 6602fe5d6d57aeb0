"""Pictures of bands and presets: what must be in them, where, and that they say it safely."""

from fractions import Fraction
from pathlib import Path

import pytest
from picture_reading import all_text, centre, curves, notes, read
from running_daemon import qsyd

from qsyd_daemon.pictures.mismatch_picture import curve, mismatch_picture, panels, preset_swr
from qsyd_daemon.pictures.scale import ticks
from qsyd_daemon.pictures.tank_picture import tank_panels, tank_picture
from qsyd_daemon.pictures.text import plain, width, wrapped
from qsyd_daemon.worksheet import Row
from qsyd_rules.band import Band
from qsyd_rules.estimate import estimate
from qsyd_rules.preset import Preset, PresetStanding, standing
from qsyd_rules.segment import Computed, Division, Edges, Parts, Segment, segments_of
from qsyd_rules.segment_advice import Advice, Source, edge_swr, resonator_of, tube_swr
from qsyd_rules.station import Antenna, Resonance

Stored = dict[tuple[str, str], Preset]
BAND = Band("80m", 3_500_000, 4_000_000)
UGLY = "<&\"'>" + "W" * 55
Q = Fraction(12)


def rows_of(division: Division, stored: Stored, antenna: str = "wire") -> list[Row]:
    segments = segments_of(BAND, division)
    made = []
    for segment in segments:
        preset = stored.get((antenna, segment.name))
        fitted = estimate(stored, antenna, segment, segments) if preset is None else None
        made.append(Row(Antenna(antenna, 1, ("80m",)), segment, standing(preset, segment), True, fitted))
    return made


def drawn(rows: list[Row], stored: Stored, antenna: str = "wire", resonance: Resonance | None = None) -> str:
    circuit = None if resonance is None else resonator_of(resonance)
    worst = edge_swr([row.segment for row in rows], Q, circuit)
    source = Source.NOTHING if circuit is None else Source.FILE
    advice = Advice(antenna, "80m", source, circuit, len(rows), worst, 1.4, None, None, 0)
    return mismatch_picture(antenna, panels([advice], rows, stored, Q))


def four_of_five(antenna: str = "wire") -> Stored:
    return {
        (antenna, f"80m/{n}"): Preset(
            antenna, f"80m/{n}", 2000 - 95 * n, 2300 - 180 * n, forward_w=1400, reflected_w=10 * n
        )
        for n in (1, 2, 4, 5)
    }


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "at_low", "at_high"),
    [(3_500_000, 3_600_000, 1.43, 1.45), (3_900_000, 4_000_000, 1.38, 1.40), (7_000_000, 7_150_000, 1.31, 1.32)],
)
def test_the_curve_ends_near_the_tabulated_mismatch(low_hz: int, high_hz: int, at_low: float, at_high: float) -> None:
    """A pi of R1 2000, Q 12 into 50 ohm, left alone (computed by ABCD chain and scikit-rf). The curve is of a series RLC
    circuit, whose bandwidth a pi's loaded Q does not predict exactly (W. Kaune): it is up to 0.06 too low there."""
    row = Row(
        Antenna("wire", 1, ("80m",)),
        Segment("80m/1", "80m", low_hz, high_hz, topmost=True),
        PresetStanding.MISSING,
        True,
    )

    points = curve(row, Q, None)

    assert (points[0][0], points[-1][0]) == (low_hz, high_hz)
    assert points[0][1] == pytest.approx(at_low, abs=0.06)
    assert points[-1][1] == pytest.approx(at_high, abs=0.06)
    assert points[len(points) // 2][1] == pytest.approx(1)


def test_the_curve_and_the_bandwidth_of_the_matched_circuit_agree() -> None:
    """BW = (f0/Q)(S-1)/sqrt(S): 3.75 MHz, Q 12, S 2 is 221.0 kHz (Yaghjian and Best 2005, from memory; computed)."""
    low_hz = 3_750_000 * (
        (1 + (221.0 / 7500) ** 2) ** 0.5 - 221.0 / 7500
    )  # arithmetic width about the geometric centre

    assert tube_swr(low_hz, 3_750_000, Q, None) == pytest.approx(2, abs=0.002)
    assert tube_swr(low_hz + 221_000, 3_750_000, Q, None) == pytest.approx(2, abs=0.002)


@pytest.mark.parametrize("division", [Parts(1), Computed(), Parts(20), Edges((3_500_000, 3_501_000, 4_000_000))])
@pytest.mark.parametrize("antenna", ["wire", UGLY])
def test_every_segment_and_what_is_stored_in_it_appears(division: Division, antenna: str) -> None:
    stored = four_of_five(antenna)
    rows = rows_of(division, stored, antenna)
    pictures = [
        drawn(rows, stored, antenna, Resonance(3_650_000, 120_000)),
        tank_picture(antenna, *tank_panels(rows, stored)),
    ]

    for picture in pictures:
        root = read(picture)
        shown = all_text(root)
        for row in rows:
            assert f"{row.segment.name}, " in shown
            assert any(note.startswith(f"{row.segment.name}") and str(row.standing) in note for note in notes(root))
        assert plain(antenna)[:20] in shown
        assert antenna not in picture or antenna == "wire"  # escaped


def test_readings_of_presets_stand_as_points_of_their_swr() -> None:
    """SWR 2 is 11.11 percent reflected (any radio handbook, from memory)."""
    stored = {("wire", "80m/1"): Preset("wire", "80m/1", 1, 2, forward_w=9000, reflected_w=1000)}
    root = read(drawn(rows_of(Computed(), stored), stored))

    assert preset_swr(stored["wire", "80m/1"]) == pytest.approx(2)
    assert "SWR 2.00 with the preset" in notes(root)
    _, foot_y = centre(root, "80m/1: saved")
    assert centre(root, "SWR 2.00")[1] < foot_y


def test_no_label_lies_over_a_point() -> None:
    """The label of the limit has a halo of paper: what is drawn before it would vanish under it."""
    stored = {("wire", "80m/1"): Preset("wire", "80m/1", 1, 2, forward_w=10_000, reflected_w=500)}
    picture = drawn(rows_of(Computed(), stored), stored)

    assert picture.index(">edge_swr 1.4<") < picture.index("SWR 1.58 with the preset")


def test_all_reflected_is_said_and_not_drawn() -> None:
    stored = {("wire", "80m/1"): Preset("wire", "80m/1", 1, 2, forward_w=100, reflected_w=100)}

    assert "as much came back as went out" in all_text(read(drawn(rows_of(Parts(1), stored), stored)))


def test_frequencies_run_to_the_right_and_mismatch_upwards() -> None:
    stored = four_of_five()
    root = read(drawn(rows_of(Computed(), stored), stored))
    tank = curves(root, "tank")

    assert len(tank) == 5
    xs = [x for part in tank for x, _ in part]
    assert xs == sorted(xs)
    for part in tank:  # y grows downwards: matched at the centre, worse at either edge
        lowest = max(range(len(part)), key=lambda index: part[index][1])
        assert lowest == len(part) // 2
        assert [y for _, y in part[: lowest + 1]] == sorted(y for _, y in part[: lowest + 1])


def test_positions_in_the_tank_picture_keep_their_order() -> None:
    stored = four_of_five()
    root = read(tank_picture("s", *tank_panels(rows_of(Computed(), stored), stored)))
    places = [centre(root, f"80m/{n}: tune {2000 - 95 * n}") for n in (1, 2, 4, 5)]

    assert [x for x, _ in places] == sorted(x for x, _ in places)
    assert [y for _, y in places] == sorted(y for _, y in places)  # fewer steps stand lower
    guess_x, guess_y = centre(root, "80m/3: tune")
    assert places[1][0] < guess_x < places[2][0]
    assert places[1][1] < guess_y < places[2][1]
    assert "estimate tune 17" in all_text(root)


def test_without_presets_there_are_gaps_and_no_scale_of_steps() -> None:
    root = read(tank_picture("s", *tank_panels(rows_of(Computed(), {}), {})))

    assert notes(root).count("80m/3: missing") == 2
    assert "5 missing" in all_text(root)


def test_a_preset_that_belongs_nowhere_is_listed() -> None:
    stored = {("sold <loop>", "80m/9"): Preset("sold <loop>", "80m/9", 12, 34)}
    root = read(tank_picture("s", *tank_panels(rows_of(Computed(), stored), stored)))

    assert "sold <loop> on 80m/9: tune 12, load 34" in all_text(root)


def test_a_preset_made_for_other_edges_is_stale_and_says_for_which() -> None:
    stored = {("wire", "80m/5"): Preset("wire", "80m/5", 12, 34, low_hz=3_900_000, high_hz=4_400_000)}
    rows = rows_of(Computed(), stored)

    for picture in (drawn(rows, stored), tank_picture("s", *tank_panels(rows, stored))):
        assert "stale" in all_text(root := read(picture))
        assert "made for 3.900 MHz to 4.400 MHz" in all_text(root)


def test_the_same_values_give_the_same_bytes() -> None:
    stored = four_of_five()
    backwards = dict(reversed(stored.items()))

    assert drawn(rows_of(Computed(), stored), stored) == drawn(rows_of(Computed(), backwards), backwards)


def test_text_that_xml_cannot_hold_is_replaced() -> None:
    assert plain("a\x00b\ud800\u202ec\ufffe") == "a\ufffdb\ufffdc\ufffd"


def test_long_words_are_broken_and_lose_no_letter() -> None:
    lines = wrapped("short " + "W" * 60, 12, 200)

    assert "".join(lines) == "short" + "W" * 60
    assert all(width(line, 12) <= 200 for line in lines)


@pytest.mark.parametrize(("low", "high"), [(1, 2), (0, 431.97), (3.5, 4.0), (28, 29.7), (7, 7.3), (1, 6), (-0.2, 0.31)])
@pytest.mark.parametrize("most", [1, 2, 5, 9])
def test_an_axis_has_few_round_rising_numbers_within_it(low: float, high: float, most: int) -> None:
    values = ticks(low, high, most)

    assert len(values) <= most
    assert values == sorted(values)
    assert all(low - 1e-9 <= value <= high + 1e-9 for value in values)


STATION = """\
station: Breakwater <Point> & Co
region: 2
rigs:
  main: {link: simulated, protocol: ascii-cat, frequency_digits: 11}
antennas:
  harbour-wire: {port: 2, bands: [80m, 40m], resonances: [{frequency: 3.65 MHz, bandwidth: 120 kHz}]}
amplifier: {follows: main, bands: [80m, 40m], output: 1450 W}
"""


@pytest.fixture
def station(tmp_path: Path) -> Path:
    file = tmp_path / "station.yaml"
    file.write_text(STATION)
    return file


def test_plan_writes_the_picture_beside_its_worksheet(station: Path, tmp_path: Path) -> None:
    state, svg = str(tmp_path / "state"), tmp_path / "plan.svg"
    qsyd("presets", "save", "harbour-wire", "80m/2", "--tune", "1800", "--load", "1900", "--state", state)

    done = qsyd("plan", str(station), "--svg", str(svg), "--state", state)

    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == qsyd("plan", str(station), "--state", state).stdout
    shown = all_text(read(svg.read_text()))
    assert "harbour-wire, 80m" in shown
    assert "harbour-wire, 40m" in shown
    assert "80m/2, 3.600 to 3.700 MHz: saved" in shown


def test_presets_plot_draws_what_is_stored(station: Path, tmp_path: Path) -> None:
    state, svg = str(tmp_path / "state"), tmp_path / "tank.svg"
    qsyd("presets", "save", "harbour-wire", "80m/2", "--tune", "1800", "--load", "1900", "--state", state)

    done = qsyd("presets", "plot", str(station), str(svg), "--state", state)

    assert (done.returncode, done.stderr) == (0, "")
    assert "saved, tune 1800, load 1900" in all_text(read(svg.read_text()))


@pytest.mark.parametrize("where", ["nowhere/at.svg", ".", "station.yaml"])
def test_a_picture_that_cannot_be_written_is_one_line_and_exit_1(station: Path, tmp_path: Path, where: str) -> None:
    path, state = str(tmp_path / where), str(tmp_path / "state")
    for call in (["plan", str(station), "--svg", path], ["presets", "plot", str(station), path]):
        done = qsyd(*call, "--state", state)
        assert done.returncode == 1
        assert done.stderr.startswith(f"error: {path}: ")
        assert done.stderr.count("\n") == 1
    assert station.read_text() == STATION


def test_where_no_amplifier_serves_there_is_nothing_to_draw(station: Path, tmp_path: Path) -> None:
    station.write_text("\n".join(line for line in STATION.splitlines() if not line.startswith("amplifier")) + "\n")
    svg = tmp_path / "plan.svg"

    done = qsyd("plan", str(station), "--svg", str(svg), "--state", str(tmp_path / "state"))

    assert done.returncode == 1
    assert "nothing to draw" in done.stderr
    assert not svg.exists()
