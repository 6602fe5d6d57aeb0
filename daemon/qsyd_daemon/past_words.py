"""The answer to what was in force at a moment, in lines for an operator."""

from collections.abc import Mapping
from typing import Any

from qsyd_daemon.event_words import in_words
from qsyd_daemon.narration import megahertz

Row = Mapping[str, Any]
_LABEL = 10
DIGEST_SHOWN = 12


def lines_of(answer: Row, asked: str) -> list[str]:
    """The whole answer; `asked` says which moment it is about."""
    lines = [asked]
    if answer["simulated"] is not None:
        lines.append(_line("SIMULATED", f"{answer['simulated']}: nothing of this has happened"))
    as_of = answer["as_of"]
    if as_of is None:
        return [*lines, _line("journal", f"nothing up to then; it begins {answer['journal']['from'] or 'nowhere'}")]
    day = as_of["time"][:10]
    lines.append(_line("as of", f"event {as_of['sequence']}, {_clock(as_of['time'], '')}"))
    lines += [_line("note", text) for text in _notes(answer)]
    lines += _dial(answer, day)
    lines += _place(answer, day)
    lines += _devices(answer, day)
    lines += _warned(answer, day)
    lines.append(_line("happened", "" if answer["happened"] else "nothing within these seconds"))
    shown = as_of["sequence"]
    for row in answer["happened"]:
        mark = ">" if row["sequence"] == shown else " "
        lines.append(f" {mark} {row['sequence']:>6}  {_clock(row.get('time', ''), day)}  {in_words(row)}")
    if answer["happened_cut"]:
        lines.append(_line("", "more happened than is shown; ask `qsyd history`"))
    return lines


def _line(label: str, words: str) -> str:
    return f"  {label:<{_LABEL}} {words}".rstrip()


def _clock(time: str, day: str) -> str:
    """A time of the journal; the day only where it is another."""
    return time[11:23] if time[:10] == day else time.replace("T", " ").removesuffix("Z")


def _since(row: Row | None, day: str) -> str:
    return "" if row is None else f"  since {_clock(str(row['time']), day)}, event {row['sequence']}"


def _notes(answer: Row) -> list[str]:
    notes = []
    if answer["stopped"] is not None:
        notes.append("the daemon was not running: it had stopped")
    if answer["started"] is None:
        notes.append("the journal no longer holds the start of that run; what came before its first event is not known")
    file, started = answer["file"], answer["started"]
    if file["same"] is False:
        then, now = file["then"][:DIGEST_SHOWN], file["now"][:DIGEST_SHOWN]
        notes.append(f"this station file (sha256 {now}…) is not the one in force then ({then}…):")
        if file["kept"] is None:
            notes.append("told is what the journal says; the rules of now are not held against it")
        else:
            notes.append(f"judged, and its lines counted, by the copy kept of that one: {file['kept']}")
    elif file["same"] is None and started is not None:
        notes.append("the journal does not say which station file was in force; judged by the one given")
    return notes


def _dial(answer: Row, day: str) -> list[str]:
    dial, keyed = answer["dial"], answer["keyed"]
    if dial is None:
        return [_line("dial", "the rig had not told it")]
    if dial["lost"]:
        return [_line("dial", f"not known: rig {dial['rig']} was lost, {dial['reason']}{_since(dial, day)}")]
    mode = "" if dial["mode"] is None else f", {dial['mode']}"
    where = f"{megahertz(dial['frequency_hz'])}{mode}"
    if dial["split"]:
        where += f"; split: transmits on {megahertz(dial['transmit_hz'])}"
    key = {True: "keyed", False: "not keyed", None: "not known: the rig was lost"}[keyed["keyed"]]
    return [_line("dial", f"{where}{_since(dial, day)}"), _line("key", f"{key}{_since(keyed['since'], day)}")]


def _place(answer: Row, day: str) -> list[str]:
    placed, judged, hold = answer["placed"], answer["judged"], answer["hold"]
    lines = []
    if placed is None:
        lines.append(_line("placed", "nowhere yet: no decision is journalled"))
    else:
        where = placed["segment"] or "outside every segment"
        served = f"{placed['antenna']} on port {placed['port']}" if placed["antenna"] else "no antenna"
        lines.append(_line("placed", f"{served}, {where}{_since(placed, day)}"))
        lines.append(_line("because", f"{placed.get('because') or 'the journal does not say'}{_where(answer)}"))
        lines.append(_line("preset", _preset(placed)))
        if placed.get("utc"):
            lines.append(_line("hour", f"the rules were held against {placed['utc']} UTC"))
    if hold is not None:
        lines.append(_line("hold", f"{in_words(hold)}{_since(hold, day)}"))
    if judged is None:
        return lines
    if judged["remark"] is not None:
        lines.append(_line("note", judged["remark"]))
    lines += [_line("not", f"{each['name']}: {each['because']}") for each in judged["antennas"] if not each["serves"]]
    lines += [_line("rule", _rule(rule)) for rule in judged["rules"]]
    drive = judged["drive_w"]
    lines.append(_line("drive", "no limit" if drive is None else f"at most {drive} W"))
    return lines


def _where(answer: Row) -> str:
    """The line of the rule that chose the antenna, where one did."""
    judged = answer["judged"]
    if judged is None or not judged["agrees"]:
        return ""
    chose = next((rule for rule in judged["rules"] if "antenna" in rule["decided"]), None)
    return f", line {chose['line']}" if chose is not None and chose["line"] is not None else ""


def _rule(rule: Row) -> str:
    line = f" (line {rule['line']})" if rule["line"] is not None else ""
    said = f"decides {', '.join(rule['decided'])}" if rule["decided"] else rule["because"]
    return f"{'holds' if rule['matched'] else 'no   '}  {rule['name']}{line}: {said}"


def _preset(placed: Row) -> str:
    preset = placed["preset"]
    if preset is None:
        return "none recalled"
    kind = "estimate: " if preset.get("estimate") else ""
    return f"{kind}tune {preset['tune']}, load {preset['load']}"


def _devices(answer: Row, day: str) -> list[str]:
    transmit, amplifier, fault = answer["transmit"], answer["amplifier"], answer["fault"]
    word = "released" if transmit["released"] else "inhibited"
    lines = [_line("transmit", f"{word}{_since(transmit['since'], day)}")]
    lines += [_line("", reason) for reason in transmit["reasons"]]
    state = "off" if amplifier is None else amplifier["state"]
    lines.append(_line("amplifier", f"{state}: {answer['amplifier_because']}{_since(amplifier, day)}"))
    wish = answer["wish"]
    if wish is not None:
        lines.append(_line("wish", f"{wish['request']}, asked by {wish['operator']}{_since(wish, day)}"))
    begun, ended = answer["change_over"], answer["change_over_ended"]
    if begun is not None and ended is None:
        lines.append(_line("under way", f"{in_words(begun)}{_since(begun, day)}"))
    elif begun is not None:
        lines.append(_line("moved last", f"{in_words(begun)}{_since(begun, day)}"))
        lines.append(_line("", f"{in_words(ended)}, event {ended['sequence']}"))
    if fault is not None:
        lines.append(_line("fault", f"{fault['code']}: {fault['detail']}; {fault['advice']}{_since(fault, day)}"))
    if answer["lockout"] is not None:
        lines.append(_line("lockout", f"{answer['lockout']['text']}{_since(answer['lockout'], day)}"))
    return lines


def _warned(answer: Row, day: str) -> list[str]:
    judged = answer["judged"]
    lines = [] if judged is None else [_line("warning", text) for text in judged["warnings"]]
    return lines + [
        _line("warned", f"{_clock(str(row['time']), day)}, event {row['sequence']}: {row['code']}: {row['text']}")
        for row in answer["warnings"]
    ]
