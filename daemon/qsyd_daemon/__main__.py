"""The command line. Only the command that runs is imported, so that `--help` and the client commands start at once."""

import argparse
import io
import os
import signal
import sys
from importlib import import_module
from typing import TypeAlias

from qsyd_daemon import __version__
from qsyd_daemon.command_parser import CommandParser, watts, whole

DESCRIPTION = """\
Follows an HF rig's dial and keeps antenna, amplifier tank, drive and transmit
permit right behind it, in a safe order. It never keys the transmitter."""
CAUTION = """\
Caution: plate voltage and RF kill. qsyd is a supervisor, not an interlock: the
hardware's own protection, local code and licensed practice come first."""
Parser: TypeAlias = CommandParser
Commands: TypeAlias = "argparse._SubParsersAction[CommandParser]"
MODES = ("cw", "lsb", "usb", "am", "fm", "data")


def main(argv: list[str] | None = None) -> int:
    """Run one command; its exit code."""
    signal.signal(signal.SIGPIPE, signal.SIG_DFL)
    _open_closed_ends()
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # a path need not be text
    try:
        code = _run(argv)
        sys.stdout.flush()
    except KeyboardInterrupt:
        return 128 + signal.SIGINT
    except BrokenPipeError:
        _drop_output()
        return 0
    except OSError as error:  # every command tells of its own files; what is left is the output, on a full disk
        _drop_output()
        print(f"error: the output cannot be written: {error.strerror or error}", file=sys.stderr)
        return 1
    return code


def _open_closed_ends() -> None:
    """Where one of the three standard ends was closed before we began, what is printed goes nowhere.

    Else the first link or file to be opened would get its number, and what is meant for people.
    """
    for descriptor in range(3):
        try:
            os.fstat(descriptor)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free: this one
    if sys.stdout is None:
        sys.stdout = io.TextIOWrapper(io.FileIO(1, "w", closefd=False), encoding="utf-8")
    if sys.stderr is None:
        sys.stderr = io.TextIOWrapper(io.FileIO(2, "w", closefd=False), encoding="utf-8")


def _run(argv: list[str] | None) -> int:
    try:
        arguments = parser().parse_args(argv)
    except SystemExit as end:  # help, version or wrong use, already said
        return end.code if isinstance(end.code, int) else 0
    command = import_module(f"qsyd_daemon.commands.{arguments.module}")
    return int(command.run(arguments))


def _drop_output() -> None:
    """Let what is still buffered go nowhere: Python would try again, and complain, at the very end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def parser() -> CommandParser:
    """The whole command line."""
    top = CommandParser(
        prog="qsyd", description=DESCRIPTION, epilog=CAUTION, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    top.add_argument("--version", action="version", version=f"qsyd {__version__}")
    commands = top.add_subparsers(title="commands", metavar="COMMAND", required=True)
    state = CommandParser(add_help=False)
    state.add_argument(
        "--state", metavar="DIR", help="state directory (default $STATE_DIRECTORY, else $XDG_STATE_HOME/qsyd)"
    )
    as_json = CommandParser(add_help=False)
    as_json.add_argument("--json", action="store_true", help="one JSON document on standard output")
    _station_commands(commands, state, as_json)
    _daemon_commands(commands, _way(state), as_json)
    _token_commands(commands, state, as_json)
    _simulator_commands(commands, as_json)
    return top


def _way(state: Parser) -> Parser:
    """Which daemon is asked: one of this machine, or one elsewhere."""
    way = CommandParser(add_help=False, parents=[state])
    elsewhere = way.add_argument_group("a daemon elsewhere")
    elsewhere.add_argument(
        "--server", metavar="URL", help="such as https://station.example:8443 (default $QSYD_SERVER)"
    )
    elsewhere.add_argument("--token-file", metavar="FILE", help="holds your token (default $QSYD_TOKEN_FILE)")
    elsewhere.add_argument(
        "--ca-file",
        metavar="FILE",
        help="whose certificates to trust, in PEM (default $QSYD_CA_FILE, else the system's)",
    )
    return way


def _station_commands(commands: Commands, state: Parser, as_json: Parser) -> None:
    demo = commands.add_parser("demo", help="the whole thing on simulators: no hardware, no file")
    demo.set_defaults(module="demo")

    run = commands.add_parser("run", parents=[state], help="the daemon: follow the rig, switch the station")
    run.add_argument("station", metavar="STATION", help="station file")
    run.add_argument("--events", metavar="FILE", help="append events as lines of JSON; - is standard output")
    run.add_argument("--dry-run", action="store_true", help="follow and decide, send nothing to any device")
    run.add_argument("-v", "--verbose", action="store_true", help="log more")
    run.set_defaults(module="run")

    check = commands.add_parser("check", parents=[state], help="is the station file right, and what does it cover")
    check.add_argument("station", metavar="STATION", help="station file")
    check.set_defaults(module="check")

    explain = commands.add_parser(
        "explain", parents=[state, as_json], help="where a frequency would put the station, or why it was where"
    )
    explain.add_argument("station", metavar="STATION", help="station file")
    frequency = explain.add_argument("frequency", metavar="FREQUENCY", nargs="+", help="such as 14.205 MHz")
    frequency.required = False  # not `*`: that would be over before an option comes, and `--mode usb 14.205 MHz` is one
    explain.add_argument("--mode", choices=MODES, help="judge the emission too")
    explain.add_argument("--rig", metavar="R", help="which rig asks (default the one that is followed)")
    explain.add_argument("--at", metavar="HH:MM", help="time of day, UTC, for rules that ask for it")
    explain.add_argument("--when", metavar="TIME", help="instead: what was in force then, as 02:14 or a full time")
    explain.add_argument(
        "--event", type=whole, metavar="N", help="instead: what was in force after this event of history"
    )
    explain.add_argument("--around", default="5 s", metavar="TIME", help="show what happened within it (default 5 s)")
    explain.set_defaults(module="explain")

    plan = commands.add_parser("plan", parents=[state, as_json], help="the tune-up worksheet")
    plan.add_argument("station", metavar="STATION", help="station file")
    plan.add_argument("--advice", action="store_true", help="instead: how many segments each antenna and band needs")
    plan.add_argument("--svg", metavar="FILE", help="also draw the mismatch over each band, as SVG")
    plan.set_defaults(module="plan")

    timeline = commands.add_parser("timeline", help="draw a change-over from a file of events, as SVG")
    timeline.add_argument("events", metavar="EVENTS", help="what --events has written")
    timeline.add_argument("file", metavar="FILE", help="the picture")
    timeline.add_argument("--number", type=whole, metavar="N", help="the N-th change-over (default: the last)")
    timeline.set_defaults(module="timeline")


def _daemon_commands(commands: Commands, state: Parser, as_json: Parser) -> None:
    presets = commands.add_parser("presets", help="stored tank settings: list, show, save, export, plot …")
    presets.set_defaults(module="presets")
    verbs = presets.add_subparsers(title="verbs", metavar="VERB", dest="verb", required=True)
    verbs.add_parser("list", parents=[state, as_json], help="all presets")
    for verb, words in (("show", "one preset"), ("save", "store a setting"), ("remove", "forget one")):
        parents = [state, as_json] if verb == "show" else [state]
        named = verbs.add_parser(verb, parents=parents, help=words)
        named.add_argument("antenna", metavar="ANTENNA")
        named.add_argument("segment", metavar="SEGMENT", help="such as 80m/1")
        if verb == "save":
            named.add_argument("--tune", type=whole, required=True, metavar="STEPS", help="tune capacitor")
            named.add_argument("--load", type=whole, required=True, metavar="STEPS", help="load capacitor")
            named.add_argument("--drive", type=watts, metavar="POWER", help="drive used, such as 50 W")
            named.add_argument("--matching", type=whole, nargs="+", default=[], metavar="STEPS", help="matching unit")
    export = verbs.add_parser("export", parents=[state], help="as CSV")
    export.add_argument("file", metavar="FILE", nargs="?", help="default and -: standard output")
    take = verbs.add_parser("import", parents=[state], help="from CSV; a bad row imports nothing")
    take.add_argument("file", metavar="FILE")
    plot = verbs.add_parser("plot", parents=[state], help="draw tune and load over frequency, as SVG")
    plot.add_argument("station", metavar="STATION", help="station file: its segments")
    plot.add_argument("file", metavar="FILE")

    status = commands.add_parser("status", parents=[state, as_json], help="the station at a glance")
    status.set_defaults(module="status")

    tube = commands.add_parser("tube", parents=[state, as_json], help="what the tube has been through, and its gain")
    tube.add_argument("verb", metavar="new", nargs="?", choices=("new",), help="begin anew for another tube")
    tube.add_argument("--reason", help="with new: why; the old tube's account is kept under it")
    tube.set_defaults(module="tube")
    watch = commands.add_parser("watch", parents=[state], help="the station live")
    watch.add_argument("--json", action="store_true", help="events as lines of JSON")
    watch.add_argument(
        "--lease", action="store_true", help="hold a lease; when this ends, the amplifier goes to standby"
    )
    watch.set_defaults(module="watch")

    history = commands.add_parser("history", parents=[state, as_json], help="what happened, and why")
    history.add_argument("--since", metavar="TIME", help="02:10 (the last there was), 2026-05-01T14:30Z, or 15min ago")
    history.add_argument("--until", metavar="TIME", help="likewise; a time of day is the first one after --since")
    history.add_argument(
        "--event", action="append", default=[], metavar="NAMES", help="only these, such as placed,fault"
    )
    history.add_argument("--why", action="store_true", help="under each decision, what it followed from")
    history.add_argument("--limit", type=whole, default=1000, metavar="N", help="the newest N (default 1000)")
    history.add_argument("--follow", action="store_true", help="go on with what comes; with --json a line each")
    history.set_defaults(module="history")

    reload = commands.add_parser(
        "reload",
        parents=[state, as_json],
        help="the daemon reads its station file again",
        description="The daemon reads its station file again and takes it into force whole, or not at all. It waits for "
        "a change-over, a key or a tune-up to end. Links whose settings have not changed are left alone. "
        "Exit code 78: the file is wrong; 1: it cannot be taken live, or not now. Then the old file stays.",
    )
    reload.add_argument("--check", action="store_true", help="only say what would change")
    reload.set_defaults(module="reload")

    completion = commands.add_parser(
        "completion",
        help="a completion script for a shell",
        description="Prints a script that completes commands and options. bash: source <(qsyd completion bash) in "
        "~/.bashrc; zsh: write it to _qsyd in a directory of $fpath; fish: to ~/.config/fish/completions/qsyd.fish; "
        "tcsh: source it.",
    )
    completion.add_argument("shell", choices=("bash", "zsh", "fish", "tcsh"))
    completion.set_defaults(module="completion")

    tap = commands.add_parser(
        "tap",
        parents=[state],
        help="the bytes of one link, both ways, as they pass",
        description="Follows what one link carries, until interrupted: time (UTC), direction, hex and text. What a "
        "terminal would obey is shown as an escape. It never delays the link: what comes too fast is dropped, and said.",
    )
    tap.add_argument("link", metavar="LINK", nargs="+", help="as status names it: rig main, or an output")
    kinds = tap.add_mutually_exclusive_group()
    kinds.add_argument("--hex", action="store_true", help="only hex")
    kinds.add_argument("--text", action="store_true", help="only text")
    kinds.add_argument("--json", action="store_true", help="a line of JSON for each piece")
    tap.set_defaults(module="tap")

    hold = commands.add_parser("hold", parents=[state], help="an antenna past the rules for a time, or off")
    hold.add_argument("antenna", metavar="ANTENNA", help="one of the station's, or off")
    hold.add_argument("--for", dest="length", metavar="TIME", help="how long, such as 30min")
    hold.add_argument("--reason", help="shown in status and history")
    hold.set_defaults(module="hold")

    send = commands.add_parser("send", parents=[state], help="try an output of notices with a text")
    send.add_argument("output", metavar="OUTPUT", help="one that only tells, such as a jsonl")
    send.add_argument("text", metavar="TEXT", nargs="+")
    send.set_defaults(module="send")

    amplifier = commands.add_parser("amplifier", help="ask for on, off, standby or operate")
    amplifier.set_defaults(module="amplifier", now=False, when_ready=False)
    requests = amplifier.add_subparsers(title="requests", metavar="REQUEST", dest="request", required=True)
    requests.add_parser("on", parents=[state], help="heater on; the warm-up begins")
    off = requests.add_parser("off", parents=[state], help="standby, cool-down, then heater off")
    off.add_argument("--now", action="store_true", help="skip the cool-down: a hot tube loses its air")
    requests.add_parser("standby", parents=[state], help="out of the signal path")
    operate = requests.add_parser("operate", parents=[state], help="into the signal path, wherever all allows it")
    operate.add_argument("--when-ready", action="store_true", help="as soon as the warm-up has run")

    tune = commands.add_parser(
        "tune",
        parents=[state, as_json],
        help="the guided tune-up of what is missing or stale",
        epilog=CAUTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    tune.add_argument("--antenna", metavar="A", help="only this antenna")
    tune.add_argument("--segment", metavar="S", help="only this segment, such as 80m/1, whatever is stored")
    tune.add_argument("--all", action="store_true", help="also segments that have a preset")
    tune.add_argument(
        "--say",
        metavar="WORD",
        nargs="+",
        help="one word to it, and no more: begin, next, again, skip, stop, or numbers",
    )
    tune.set_defaults(module="tune")

    acknowledge = commands.add_parser(
        "acknowledge", parents=[state], help="a fault has been seen and its cause is gone"
    )
    acknowledge.add_argument(
        "number", metavar="NUMBER", nargs="?", type=whole, help="the fault (default: the one there is)"
    )
    acknowledge.add_argument("--reason", help="needed where the same fault came again and again")
    acknowledge.set_defaults(module="acknowledge")

    lockout = commands.add_parser("lockout", help="on, off: no release and no operate while somebody works on it")
    lockout.set_defaults(module="lockout")
    turns = lockout.add_subparsers(title="requests", metavar="REQUEST", dest="request", required=True)
    begin = turns.add_parser("on", parents=[state], help="begin; survives restarts and power cuts")
    begin.add_argument("--reason", required=True, help="what is being worked on")
    begin.add_argument("--name", help="who works on it (default: this user)")
    turns.add_parser("off", parents=[state], help="end")


def _token_commands(commands: Commands, state: Parser, as_json: Parser) -> None:
    token = commands.add_parser("token", help="who may call from afar: new, list, remove")
    token.set_defaults(module="token")
    verbs = token.add_subparsers(title="verbs", metavar="VERB", dest="verb", required=True)
    file = CommandParser(add_help=False)
    file.add_argument("--file", metavar="FILE", help="default tokens.json in the state directory")
    new = verbs.add_parser("new", parents=[state, file], help="make one; it is printed once")
    new.add_argument("role", metavar="ROLE", choices=("watch", "operate", "administer"), help="what it may do")
    new.add_argument("--name", required=True, help="whose it is; events carry it")
    verbs.add_parser("list", parents=[state, file, as_json], help="names and roles")
    remove = verbs.add_parser("remove", parents=[state, file], help="take one back, at once")
    remove.add_argument("name", metavar="NAME")


def _simulator_commands(commands: Commands, as_json: Parser) -> None:
    simulate = commands.add_parser(
        "simulate", parents=[as_json], help="a scenario, or random ones, on the virtual clock"
    )
    simulate.add_argument(
        "scenario", metavar="SCENARIO", nargs="?", help="a file, or the name of one that comes with qsyd"
    )
    simulate.add_argument(
        "--campaign", type=whole, metavar="N", help="random runs of N change-overs in all, with faults"
    )
    simulate.add_argument(
        "--recall-trial", type=whole, metavar="N", help="N random jumps of the dial with presets and without any"
    )
    simulate.add_argument("--seed", type=whole, metavar="S", help="the same seed gives the same bytes")
    simulate.add_argument("--workers", type=whole, default=1, metavar="W", help="processes that share a campaign")
    simulate.add_argument("--svg", metavar="FILE", help="also draw it as SVG: the change-overs, or the trial")
    simulate.add_argument("--state", metavar="DIR", help="keep the scenario's events as a journal there, to ask about")
    simulate.set_defaults(module="simulate")

    sim = commands.add_parser("sim", help="simulated devices to connect to")
    devices = sim.add_subparsers(title="devices", metavar="DEVICE", required=True)
    rig = devices.add_parser("rig", help="a transceiver; its front panel is standard input")
    rig.add_argument("--protocol", choices=("ascii-cat", "ci-v"), required=True)
    where = rig.add_mutually_exclusive_group(required=True)
    where.add_argument("--tcp", type=whole, metavar="PORT", help="serve on this port of 127.0.0.1; 0 chooses one")
    where.add_argument("--pty", metavar="LINK", help="serve on a pseudo-terminal, reached by this path")
    rig.add_argument("--frequency-digits", type=whole, choices=(11, 9, 8), default=11, help="ascii-cat")
    rig.add_argument("--address", default="0x94", help="ci-v bus address")
    rig.add_argument("--frequency", default="14.205 MHz", help="where the dial stands at first")
    rig.add_argument("--push", action="store_true", help="report changes unasked, where the host asks for it")
    rig.add_argument("--refuse", action="append", default=[], metavar="PREFIX", help="refuse commands that begin so")
    rig.add_argument("--fragment", type=whole, default=0, metavar="BYTES", help="answer in pieces")
    rig.add_argument("--garbage", type=whole, default=0, metavar="BYTES", help="noise before each answer")
    rig.add_argument("--delay-ms", type=float, default=0, metavar="MS", help="think before each answer")
    rig.set_defaults(module="sim")
    _plant_commands(devices)


def _plant_commands(devices: Commands) -> None:
    amplifier = devices.add_parser("amplifier", help="a tube amplifier as physics has it, a rig and antennas behind it")
    where = amplifier.add_mutually_exclusive_group(required=True)
    where.add_argument("--tcp", type=whole, metavar="PORT", help="serve on this port of 127.0.0.1; 0 chooses one")
    where.add_argument("--pty", metavar="LINK", help="serve on a pseudo-terminal, reached by this path")
    bench = devices.add_parser("bench", help="rig, antenna switch, amplifier and antennas, and a station file for them")
    bench.add_argument("--directory", metavar="DIR", help="for rig and station file (default: a temporary one)")
    bench.add_argument(
        "--api",
        type=whole,
        metavar="PORT",
        help="have the station file open the page and the API at this loopback port",
    )
    for device in (amplifier, bench):
        device.add_argument(
            "--station", choices=("plover-sands", "orchard-bank", "heron-point"), default="plover-sands"
        )
        device.add_argument("--weather", choices=("calm", "changeable", "rain"), default="changeable")
        device.add_argument("--seed", type=whole, default=1, metavar="S", help="of meters and weather")
        device.add_argument("--warm-up", default="180 s", metavar="TIME", help="that the heater needs")
        device.add_argument("--frequency", default="14.205 MHz", help="where the dial stands at first")
        device.add_argument("--trips", action="store_true", help="the amplifier has protection of its own")
    amplifier.set_defaults(module="sim_plant", device="amplifier")
    bench.set_defaults(module="sim_plant", device="bench")


if __name__ == "__main__":
    sys.exit(main())
