"""`qsyd tap LINK`: the bytes of one link, both ways, as they pass. Standard library only."""

import argparse
import json
import sys
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

from qsyd_daemon.client import NoDaemonError, RefusedError
from qsyd_daemon.commands.way_option import way_of
from qsyd_daemon.event_source import follow
from qsyd_daemon.exit_code import ExitCode

ROW_BYTES = 16
_ARROWS = {"sent": "-> sent    ", "received": "<- received"}
_ESCAPES = {0x0A: "\\n", 0x0D: "\\r", 0x09: "\\t", 0x5C: "\\\\"}


def run(arguments: argparse.Namespace) -> int:
    """Follow until interrupted, or until the link or the daemon is gone."""
    way = way_of(arguments)
    if isinstance(way, ExitCode):
        return way
    name = " ".join(arguments.link)
    try:
        for told in follow(way, target=f"/v1/tap?link={quote(name, safe='')}"):
            if arguments.json:
                print(json.dumps({"event": told.event} | told.data, ensure_ascii=False), flush=True)
            elif told.event == "bytes":
                print("\n".join(rows(told.data, with_hex=not arguments.text, with_text=not arguments.hex)), flush=True)
            else:
                print(f"tap: {_said(told.event, told.data)}", file=sys.stderr, flush=True)
            if told.event == "gone":
                return ExitCode.FAILED
    except RefusedError as refused:
        print(f"refused: {refused}", file=sys.stderr)
        return ExitCode.FAILED
    except NoDaemonError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.NO_DAEMON
    print("tap: the daemon has ended the connection", file=sys.stderr)
    return ExitCode.NO_DAEMON


def rows(told: dict[str, Any], *, with_hex: bool, with_text: bool) -> Iterator[str]:
    """One piece as lines: time (UTC), direction, hex, text; `ROW_BYTES` a line where there is hex."""
    data = bytes.fromhex(told["hex"])
    head = f"{told['time'][11:23]}  {_ARROWS[told['direction']]}"
    if not with_hex:
        yield f"{head}  {escaped(data)}"
        return
    for start in range(0, len(data), ROW_BYTES):
        part = data[start : start + ROW_BYTES]
        shown = part.hex(" ")
        yield f"{head}  {shown:<{ROW_BYTES * 3 - 1}}  {escaped(part)}" if with_text else f"{head}  {shown}"


def escaped(data: bytes) -> str:
    """Printable ASCII as it is; everything else as an escape, so that no terminal obeys it."""
    return "".join(
        _ESCAPES.get(byte) or (chr(byte) if 0x20 <= byte < 0x7F else f"\\x{byte:02x}") for byte in data
    )  # fmt: skip


def _said(event: str, data: dict[str, Any]) -> str:
    match event:
        case "link":
            return f"{data['link']} is {'open' if data['open'] else 'closed: ' + (data['because'] or 'not open yet')}"
        case "dropped":
            return f"{data['bytes']} bytes were dropped: they came faster than they were read"
        case "gone":
            return f"there is no link {data['link']} any more"
        case _:
            return event
