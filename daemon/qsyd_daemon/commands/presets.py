"""`qsyd presets …`: the store of tank settings; through the running daemon where there is one, else in the files."""

import argparse
import json
import os
import sys
import time
from pathlib import Path
from typing import Any

from qsyd_daemon.client import NoDaemonError, RefusedError, Way, call, look, reason_of
from qsyd_daemon.commands.way_option import way_of
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.preset_table import (
    REQUIRED,
    PresetTableError,
    preset_from_json,
    preset_to_json,
    read_table,
    write_table,
)
from qsyd_daemon.remote import Remote
from qsyd_daemon.state_directory import StateDirectoryError
from qsyd_daemon.text_table import table
from qsyd_rules.preset import Preset

LARGEST_TABLE = 4 * 1024 * 1024
"""Largest table to import, in bytes."""
STRANGE_SHOWN = 10
HEAD_BYTES_MAX = 1000
LARGEST_FROM_AFAR = 64 * 1024
"""What the API takes over TCP in one request, in bytes."""


def run(arguments: argparse.Namespace) -> int:
    """Do one of the verbs."""
    way = way_of(arguments)
    if isinstance(way, ExitCode):
        return way
    try:
        return _VERBS[arguments.verb](arguments, way)
    except PresetTableError as error:
        print("\n".join(f"error: {text}" for text in error.errors), file=sys.stderr)
    except (RefusedError, StateDirectoryError) as error:
        print(f"error: {error}", file=sys.stderr)
    except NoDaemonError as error:  # one elsewhere, whose store cannot be reached otherwise
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.NO_DAEMON
    return ExitCode.FAILED


def _list(arguments: argparse.Namespace, way: Way) -> int:
    presets = _all(way)
    if arguments.json:
        print(json.dumps([preset_to_json(preset) for preset in presets], indent=2))
    elif not presets:
        print(f"no presets are stored in {way.shown if isinstance(way, Remote) else way}")
    else:
        rows = [
            (
                preset.antenna,
                preset.segment,
                str(preset.tune),
                str(preset.load),
                "-" if preset.drive_w is None else f"{preset.drive_w} W",
                preset.saved_at or "-",
            )
            for preset in presets
        ]
        head = ("antenna", "segment", "tune", "load", "drive", "saved")
        print("\n".join(table(head, rows, right=frozenset({2, 3, 4}))))
    return ExitCode.DONE


def _show(arguments: argparse.Namespace, way: Way) -> int:
    found = [each for each in _all(way) if (each.antenna, each.segment) == (arguments.antenna, arguments.segment)]
    if not found:
        raise RefusedError(f"there is no preset for {arguments.antenna} on {arguments.segment}")
    shown = preset_to_json(found[0])
    if arguments.json:
        print(json.dumps(shown, indent=2))
    else:
        shown["matching"] = " ".join(str(position) for position in shown["matching"])
        print("\n".join(f"{name:<12} {'-' if value in (None, '') else value}" for name, value in shown.items()))
    return ExitCode.DONE


def _save(arguments: argparse.Namespace, way: Way) -> int:
    given: dict[str, Any] = {
        "antenna": arguments.antenna,
        "segment": arguments.segment,
        "tune": arguments.tune,
        "load": arguments.load,
        "matching": arguments.matching,
        "drive_w": arguments.drive,
        "saved_at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
    }
    preset = preset_from_json(given)
    _store(way, [preset])
    print(f"saved: {arguments.antenna} on {arguments.segment}")
    _tell_strangers(way, [preset])
    return ExitCode.DONE


def _remove(arguments: argparse.Namespace, way: Way) -> int:
    name = {"antenna": arguments.antenna, "segment": arguments.segment}
    try:
        status, answer = call(way, "POST", "/v1/presets/remove", name)
        if status != 200:
            raise RefusedError(reason_of(answer))
    except NoDaemonError:
        if isinstance(way, Remote):
            raise
        if not _offline(way, lambda store: store.remove_preset(arguments.antenna, arguments.segment).result()):
            raise RefusedError(f"there is no preset for {arguments.antenna} on {arguments.segment}") from None
    print(f"removed: {arguments.antenna} on {arguments.segment}")
    return ExitCode.DONE


def _export(arguments: argparse.Namespace, way: Way) -> int:
    text = write_table(_all(way))
    if arguments.file is None or arguments.file == "-":
        print(text, end="")
        return ExitCode.DONE
    path = Path(arguments.file)
    try:
        if _is_another(path):
            raise RefusedError(f"{path}: is no table of presets, and is left as it is; name another file")
        path.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise RefusedError(f"{arguments.file}: {error.strerror}") from None
    return ExitCode.DONE


def _is_another(path: Path) -> bool:
    """Whether something is there that no export has written: other commands take the station file in this place."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        head = file.readline(HEAD_BYTES_MAX)
    return bool(head) and not all(name.encode() in head for name in REQUIRED)


def _plot(arguments: argparse.Namespace, way: Way) -> int:
    from qsyd_daemon.commands.preset_plot import plot  # the other verbs do without station files

    return plot(arguments, way, {(preset.antenna, preset.segment): preset for preset in _all(way)})


def _import(arguments: argparse.Namespace, way: Way) -> int:
    try:
        with open(arguments.file, "rb") as file:
            data = file.read(LARGEST_TABLE + 1)
    except OSError as error:
        raise RefusedError(f"{arguments.file}: {error.strerror}") from None
    try:
        presets = read_table(data, arguments.file)
    except PresetTableError as error:  # each line names its place already
        print("\n".join(error.errors), file=sys.stderr)
        return ExitCode.FAILED
    _store(way, presets)
    print(f"imported: {len(presets)} presets")
    _tell_strangers(way, presets)
    return ExitCode.DONE


def _tell_strangers(way: Way, presets: list[Preset]) -> None:
    """Say which of the presets just stored the running station has no place for: they may be for another file, or a slip."""
    try:
        known = {(row["antenna"], row["segment"]) for row in look(way, "/v1/plan").get("rows", [])}
    except (NoDaemonError, RefusedError):
        return
    strange = [f"{each.antenna} on {each.segment}" for each in presets if (each.antenna, each.segment) not in known]
    if strange:
        named = ", ".join(strange[:STRANGE_SHOWN]) + (", ..." if len(strange) > STRANGE_SHOWN else "")
        print(f"note: this station has no {named}; stored all the same, and never recalled here", file=sys.stderr)


def _all(way: Way) -> list[Preset]:
    try:
        return [preset_from_json(each) for each in look(way, "/v1/presets").get("presets", [])]
    except NoDaemonError:
        if isinstance(way, Remote):
            raise
        from qsyd_daemon.store.errors import StoreError
        from qsyd_daemon.store.offline import read_presets

        try:
            presets = read_presets(way)
        except StoreError as error:
            raise RefusedError(str(error)) from None
        return [presets[key] for key in sorted(presets)]


def _store(way: Way, presets: list[Preset]) -> None:
    body = {"presets": [preset_to_json(preset) for preset in presets]}
    if isinstance(way, Remote) and len(json.dumps(body)) > LARGEST_FROM_AFAR:
        raise RefusedError(f"{len(presets)} presets are too many at once from afar; import them in parts, or there")
    try:
        status, answer = call(way, "POST", "/v1/presets", body)
        if status != 200:
            raise RefusedError(reason_of(answer))
    except NoDaemonError:
        if isinstance(way, Remote):
            raise
        _offline(way, lambda store: store.save_presets(presets).result())


def _offline(directory: Path, work: Any) -> Any:
    """Work on the store itself, under the lock of its directory, so that no daemon can start meanwhile."""
    from qsyd_daemon.instance_lock import AlreadyRunning, InstanceLock
    from qsyd_daemon.store.errors import StoreError
    from qsyd_daemon.store.store import Store

    try:
        with InstanceLock.acquire(directory, f"qsyd presets, process {os.getpid()}"):
            store = Store.open(directory)
            try:
                for warning in store.warnings:
                    print(f"warning: {warning}", file=sys.stderr)
                return work(store)
            finally:
                store.close()
    except AlreadyRunning as error:
        raise RefusedError(f"{error}, or wait until it answers") from None
    except StoreError as error:
        raise RefusedError(str(error)) from None


_VERBS = {
    "list": _list,
    "show": _show,
    "save": _save,
    "remove": _remove,
    "export": _export,
    "import": _import,
    "plot": _plot,
}
