"""`qsyd simulate`: a written scenario on the virtual clock, a campaign of random ones, or a trial of what presets do."""

import argparse
import json
import shlex
import sys
import time
from pathlib import Path
from typing import Any

import qsyd_simulators
from qsyd_daemon.commands.picture_file import write_picture
from qsyd_daemon.commands.recall_trial import run_trial
from qsyd_daemon.commands.simulated import acts_of, layout_of, steps_of
from qsyd_daemon.commands.simulated_journal import SimulatedJournal
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.instance_lock import AlreadyRunning
from qsyd_daemon.narration import narrate, row
from qsyd_daemon.pictures.change_over import change_overs
from qsyd_daemon.pictures.timeline_picture import timeline_picture
from qsyd_daemon.scenario_file import ScenarioFile, load_scenario
from qsyd_daemon.scenario_step import ScenarioStep
from qsyd_daemon.state_directory import StateDirectoryError
from qsyd_daemon.station_file.errors import StationFileError, nearest, short, shown
from qsyd_daemon.store.errors import StoreError
from qsyd_simulators.world.campaign import Campaign, run_campaign
from qsyd_simulators.world.faults import FaultKind
from qsyd_simulators.world.layout import stamp
from qsyd_simulators.world.scenario import Expectation, Judged, Outcome, Told, play
from qsyd_simulators.world.verdict import INVARIANTS

SHIPPED = Path(qsyd_simulators.__file__).parent / "scenarios"
BAR_COLUMNS = 30
BAR_EVERY_S = 0.2


def run(arguments: argparse.Namespace) -> int:
    """Play a scenario, or run a campaign; 1 where an expectation or an invariant fails."""
    if sum(each is not None for each in (arguments.scenario, arguments.campaign, arguments.recall_trial)) != 1:
        known = ", ".join(shipped())
        asked = "name a scenario, or ask for --campaign N or --recall-trial N"
        print(f"error: {asked}; these come with qsyd: {known}", file=sys.stderr)
        return ExitCode.WRONG_USE
    if arguments.campaign is not None and arguments.svg is not None:
        print("error: --svg draws the change-overs of one scenario; a campaign has too many", file=sys.stderr)
        return ExitCode.WRONG_USE
    if arguments.scenario is None and arguments.state is not None:
        print("error: --state keeps the journal of one scenario", file=sys.stderr)
        return ExitCode.WRONG_USE
    if arguments.recall_trial is not None:
        return run_trial(arguments)
    if arguments.campaign is not None:
        return _campaign(arguments)
    path = _path(arguments.scenario)
    if not path.exists() and path.name == arguments.scenario and not path.suffix:  # a name, not the path of a file
        hint = nearest(arguments.scenario, shipped())
        print(
            f"error: no scenario of the name `{short(shown(arguments.scenario))}` comes with qsyd; {hint}",
            file=sys.stderr,
        )
        return ExitCode.BAD_FILE
    try:
        file = load_scenario(path, [str(kind) for kind in FaultKind])
    except StationFileError as error:
        print(error, file=sys.stderr)
        return ExitCode.BAD_FILE
    seed = file.seed if arguments.seed is None else arguments.seed
    if arguments.state is None:
        return _scenario(file, seed, arguments.svg, None, as_json=arguments.json)
    try:
        journal = SimulatedJournal(arguments.state)
    except (AlreadyRunning, StateDirectoryError, StoreError) as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.ALREADY_RUNNING if isinstance(error, AlreadyRunning) else ExitCode.FAILED
    try:
        return _scenario(file, seed, arguments.svg, journal, as_json=arguments.json)
    except StoreError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.FAILED
    finally:
        journal.close()


def shipped() -> dict[str, Path]:
    """The scenarios that come with the program, by name."""
    return {path.stem: path for path in sorted(SHIPPED.glob("*.yaml"))}


def _path(name: str) -> Path:
    """A file, or where there is none of that name, the shipped scenario of it."""
    path = Path(name)
    return path if path.exists() else shipped().get(name, path)


def _scenario(
    file: ScenarioFile, seed: int, svg: str | None, journal: SimulatedJournal | None, *, as_json: bool
) -> int:
    told: list[Told] = []
    events: list[dict[str, Any]] = []
    if not as_json:
        print("\n".join([*row("SIMULATED", f"{file.title} (seed {seed})"), ""]))

    if journal is not None:
        journal.begin(file.path, file.title, seed, stamp(file.begun, 0))

    def tell(each: Told) -> None:
        if journal is not None and each.event is not None and each.event["event"] != "answer":
            journal.take(each.at_us, each.time, each.event)
        if svg is not None and each.event is not None:
            events.append({"at": each.at_us / 1e6, **each.event})
        if as_json:
            told.append(each)
        else:
            for line in _lines(each):
                print(line)

    outcome = play(layout_of(file), steps_of(file), str(seed), acts_of(file), tell)
    if journal is not None:
        journal.keep(outcome.presets, file.simulated.path, file.simulated.sha256)
    if as_json:
        print(json.dumps(_document(file, seed, told, outcome), ensure_ascii=False, indent=2))
    else:
        passed = "everything came as expected" if outcome.passed else "FAILED"
        expected = len(outcome.judged)
        summary = f"{passed}: {expected} expectations in {outcome.ended_us / 1e6:.3f} s of virtual time"
        print("\n".join(["", *row("SIMULATED", summary)]))
        if journal is not None:
            print("\n".join(_asking(journal.directory, file)))
    for judged in outcome.judged:
        for name, wanted, found in judged.missed:
            step = file.steps[judged.step.number]
            what = f"expected {name} `{wanted}`, it is `{found}` at {judged.at_us / 1e6:.3f} s"
            print(f"{file.path}:{step.line}:{step.column}: failed: {what}", file=sys.stderr)
    for violation in outcome.violations:
        print(f"{file.path}: failed: invariant {violation}", file=sys.stderr)
    if svg is not None:
        picture = timeline_picture(f"SIMULATED: {file.title} (seed {seed})", tuple(change_overs(events)))
        if write_picture(svg, picture, str(file.path)) is not ExitCode.DONE:
            return ExitCode.FAILED
    return ExitCode.DONE if outcome.passed else ExitCode.FAILED


def _asking(directory: Path, file: ScenarioFile) -> list[str]:
    """How to ask about the day that was journalled; as commands to copy, so unwrapped."""
    state = f"--state {shlex.quote(str(directory))}"
    lines = ["", "Journalled. Ask about it:", f"  qsyd history {state} --since {file.begun:%H:%M}"]
    station = file.simulated.path
    if station is not None:
        lines.append(f"  qsyd explain {shlex.quote(str(station))} {state} --when {file.begun:%H:%M}")
    return lines


def _lines(told: Told) -> list[str]:
    """One event or step as it is printed: who, when on the virtual clock, what; at most 80 columns."""
    if told.judged is not None:
        lines = row("expect", _expected(told.judged))
    elif told.step is not None:
        lines = row("scenario", str(told.step.what))
    elif told.event is not None and told.event["event"] == "answer":
        accepted = "accepted" if told.event["accepted"] else "refused"
        lines = row("qsyd", f"{accepted}: {told.event['text']}")
    else:
        lines = narrate(told.event or {})
    if not lines:
        return []
    return [f"{lines[0][:9]}{told.at_us / 1e6:>10.3f}{lines[0][19:]}", *lines[1:]]


def _expected(judged: Judged) -> str:
    if judged.missed:
        return "NOT SO: " + "; ".join(f"{name} is {found}, not {wanted}" for name, wanted, found in judged.missed)
    assert isinstance(judged.step.what, Expectation)
    return "so it is: " + ", ".join(f"{name} {wanted}" for name, wanted in judged.step.what.wants.items())


def _document(file: ScenarioFile, seed: int, told: list[Told], outcome: Outcome) -> dict[str, Any]:
    return {
        "simulated": True,
        "scenario": file.title,
        "seed": seed,
        "passed": outcome.passed,
        "virtual_s": outcome.ended_us / 1e6,
        "trace": [_entry(each, file.steps) for each in told],
        "violations": [
            {"invariant": each.invariant, "at_s": each.at_us / 1e6, "text": each.text} for each in outcome.violations
        ],
    }


def _entry(told: Told, steps: tuple[ScenarioStep, ...]) -> dict[str, Any]:
    entry: dict[str, Any] = {"at": told.at_us / 1e6}
    if told.event is not None:
        return entry | dict(told.event)
    assert told.step is not None
    entry |= {"event": "scenario", "line": steps[told.step.number].line}
    if told.judged is None:
        return entry | {"act": str(told.step.what)}
    missed = [{"what": name, "wanted": wanted, "found": found} for name, wanted, found in told.judged.missed]
    assert isinstance(told.step.what, Expectation)
    return entry | {"expected": dict(told.step.what.wants), "met": not missed, "missed": missed}


def _campaign(arguments: argparse.Namespace) -> int:
    if arguments.campaign < 1:
        print("error: --campaign takes a number of change-overs, at least 1", file=sys.stderr)
        return ExitCode.WRONG_USE
    if arguments.workers < 1:
        print("error: --workers takes a number of processes, at least 1", file=sys.stderr)
        return ExitCode.WRONG_USE
    seed = 1 if arguments.seed is None else arguments.seed
    bar = _Bar(arguments.campaign)
    begun_s = time.perf_counter()
    campaign = run_campaign(arguments.campaign, seed, workers=arguments.workers, progress=bar.show)
    took_s = time.perf_counter() - begun_s
    bar.clear()
    if arguments.json:
        print(json.dumps(campaign.document(), ensure_ascii=False, indent=2))
    else:
        print("\n".join(_report(campaign)))
    print(
        f"{took_s:.1f} s, {campaign.events / took_s:,.0f} events/s, "
        f"{campaign.virtual_us / 1e6 / took_s:,.0f} times real time",
        file=sys.stderr,
    )
    return ExitCode.FAILED if campaign.violated else ExitCode.DONE


def _report(campaign: Campaign) -> list[str]:
    lines = [
        f"SIMULATED campaign, seed {campaign.seed}",
        f"  {campaign.runs} runs, {campaign.events} events, {campaign.virtual_us / 1e6:.0f} s of virtual time",
        f"  {campaign.change_overs} change-overs, {campaign.finished} of them finished",
        f"  {sum(campaign.faults.values())} faults of {len(campaign.faults)} kinds",
        "",
        "  invariant   exercised  violated in runs",
    ]
    lines += [f"  {name:<9} {campaign.exercised[name]:>11}  {campaign.violated[name]:>16}" for name in INVARIANTS]
    others = [name for name in sorted(campaign.violated) if name not in INVARIANTS]
    lines += [f"  {name:<9} {'':>11}  {campaign.violated[name]:>16}" for name in others]
    if campaign.exposures:
        lines += ["", "  harm that this hardware leaves no way to prevent, counted apart"]
        lines += [f"  {count:>9}  {what}" for what, count in sorted(campaign.exposures.items())]
    for failure in campaign.failures:
        lines += ["", f"  FAILED {failure.violation}", f"  seed {failure.seed}, station `{failure.layout}`"]
        lines += [f"  {line}" for line in failure.history]
        lines.append(f"  {failure.until_us / 1e6:10.3f} s  every fault ends, the operator lets go")
    return lines


class _Bar:
    """Progress on standard error, where that is a terminal."""

    def __init__(self, goal: int) -> None:
        self._goal = goal
        self._shown_s = 0.0
        self._is_shown = sys.stderr.isatty()

    def show(self, campaign: Campaign) -> None:
        """Draw it, a few times a second."""
        now_s = time.monotonic()
        if not self._is_shown or now_s < self._shown_s + BAR_EVERY_S:
            return
        self._shown_s = now_s
        share = min(1.0, campaign.change_overs / self._goal)
        bar = "#" * round(BAR_COLUMNS * share)
        failed = f", {sum(campaign.violated.values())} violations" if campaign.violated else ""
        print(
            f"\r[{bar:<{BAR_COLUMNS}}] {share:4.0%}  {campaign.change_overs} change-overs{failed}\x1b[K",
            end="",
            file=sys.stderr,
            flush=True,
        )

    def clear(self) -> None:
        """Take it away."""
        if self._is_shown:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)
