"""The station's figures, read by a parser that is not ours: prometheus_client's, for OpenMetrics 1.0."""

from pathlib import Path

from api_station import running_station
from prometheus_client import Metric
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from qsyd_daemon.api.counters import Counters
from qsyd_daemon.api.metrics import Measured, exposition

ODD = 'a "quoted" \\ word\nand a second line'


def parsed(text: str) -> dict[str, Metric]:
    """Every family by name. Raises `ValueError` for what is no OpenMetrics."""
    return {family.name: family for family in text_string_to_metric_families(text)}  # type: ignore[no-untyped-call]


def test_another_reader_of_openmetrics_finds_the_station_as_status_tells_it(tmp_path: Path) -> None:
    with running_station(tmp_path) as station:
        text = station.peer.ask("GET", "/metrics").body.decode()
        status = station.daemon.status()
    families = parsed(text)
    values = {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in families.values()
        for sample in family.samples
    }
    assert len(values) == sum(not line.startswith("#") for line in text.splitlines())
    assert values["qsyd_frequency_hertz", (("rig", "main"),)] == status["rigs"]["main"]["transmit_hz"]
    assert values["qsyd_transmit_released", ()] == status["transmit"]["released"]
    assert values["qsyd_link_up", (("link", "rig main"),)] == 1
    assert values["qsyd_poll_errors_total", (("kind", "unanswered"), ("link", "rig main"))] == 0
    assert values["qsyd_output_queue", (("output", "notes"),)] >= 0
    assert {name: families[name].type for name in ("qsyd_build", "qsyd_poll_errors", "qsyd_output_queue")} == {
        "qsyd_build": "info",
        "qsyd_poll_errors": "counter",
        "qsyd_output_queue": "gauge",
    }
    assert families["qsyd_poll_duration_seconds"].unit == "seconds"


def test_a_device_whose_fault_has_an_odd_name_breaks_no_line(tmp_path: Path) -> None:
    """A device may call its faults what it likes."""
    with running_station(tmp_path, tokens=False) as station:
        _, status = station.local("GET", "/v1/status")
    counters = Counters()
    counters.tell({"event": "fault", "code": ODD})
    measured = Measured(
        version="0",
        status=status,
        antennas=(ODD,),
        links={ODD: True},
        poll_errors={ODD: {"unanswered": 3}},
        queued={ODD: 2},
        dropped_events=0,
        loop_lag_s=0.0,
        reload_ok=True,
        streams=0,
        connections=0,
        counters=counters,
    )
    families = parsed(exposition(measured))
    for name, label, value in (
        ("qsyd_faults", "code", 1),
        ("qsyd_antenna_selected", "antenna", 0),
        ("qsyd_link_up", "link", 1),
        ("qsyd_poll_errors", "link", 3),
        ("qsyd_output_queue", "output", 2),
    ):
        (sample,) = families[name].samples
        assert (sample.labels[label], sample.value) == (ODD, value)
