"""The rules of a station from the models, and what can be said against each of them."""

from qsyd_daemon.outputs.template import Template, TemplateError
from qsyd_daemon.station_file.build_station import Names
from qsyd_daemon.station_file.errors import nearest, short
from qsyd_daemon.station_file.findings import Findings
from qsyd_daemon.station_file.model import JsonlKeys, LogKeys, RuleKeys, StationKeys, ThenKeys, WhenKeys
from qsyd_daemon.station_file.validate import OutputKeys
from qsyd_daemon.station_file.vocabulary import BOOLEAN_WORDS, CONTEXT_FIELDS, EVENT_FIELDS, FREQUENCY_LIMIT_HZ
from qsyd_daemon.station_file.yaml_tree import Location
from qsyd_rules.quantity import format_frequency
from qsyd_rules.station import Rule, Send, Then, When
from qsyd_rules.words import AmplifierState, Mode

_NOT_FOR_REACTIONS = ("antenna", "drive", "inhibit")
_NOT_WITH_ANTENNA = ("keyed", "amplifier")


def rules_of(keys: StationKeys, outputs: dict[str, OutputKeys], names: Names, findings: Findings) -> tuple[Rule, ...]:
    """All rules in file order; those without a name are called `rule N`, counted from 1."""
    rules: list[Rule] = []
    lines: dict[str, Location] = {}
    for index, rule in enumerate(keys.rules):
        here: Location = ("rules", index)
        name = rule.name if rule.name is not None else f"rule {index + 1}"
        if lines.setdefault(name, here) is not here:
            place = (*here, "name") if rule.name is not None else here
            findings.error(place, f"a second rule is called `{short(name)}`", "give each rule a name of its own")
        _judge_when(rule.when, (*here, "when"), keys, names, findings)
        then = rule.then
        if then is None:
            if findings.is_whole(*here):
                findings.error(here, "the rule has no `then`", "write what it decides, such as `then: {antenna: NAME}`")
            continue
        _judge_then(rule, then, here, keys, outputs, names, findings)
        rules.append(Rule(name, _when(rule.when), _then(then)))
    if not findings.errors:
        _warn_of_shadows(rules, keys, findings)
    return tuple(rules)


def _when(when: WhenKeys) -> When:
    return When(
        rigs=_set(when.rig),
        bands=_set(when.band),
        segments=_set(when.segment),
        frequencies_hz=when.frequency,
        modes=None if when.mode is None else frozenset(Mode(mode) for mode in when.mode),
        amplifier=None if when.amplifier is None else frozenset(AmplifierState(state) for state in when.amplifier),
        keyed=when.keyed,
        between=when.between,
        events=_set(when.event),
    )


def _set(values: tuple[str, ...] | None) -> frozenset[str] | None:
    return None if values is None else frozenset(values)


def _then(then: ThenKeys) -> Then:
    return Then(
        antenna=then.antenna,
        drive_w=then.drive,
        amplifier_standby=then.amplifier is not None,
        inhibit=then.inhibit,
        warn=then.warn,
        send=None if then.send is None else Send(then.send.output, then.send.text),
    )


def _judge_when(when: WhenKeys, here: Location, keys: StationKeys, names: Names, findings: Findings) -> None:
    for index, rig in enumerate(when.rig or ()):
        if rig not in names.rigs:
            place = findings.item((*here, "rig"), index)
            findings.error(place, f"there is no rig `{rig}`", nearest(rig, names.rigs))
    covered = {band for antenna in keys.antennas.values() for band in antenna.bands}
    for index, band in enumerate(when.band or ()):
        place = findings.item((*here, "band"), index)
        names.check_band(band, place, findings, keys.region)
        if band in names.bands and band not in covered and findings.is_whole("antennas"):
            findings.warning(place, f"no antenna covers {band}", "the rule decides nothing there")
    for index, segment in enumerate(when.segment or ()):
        names.check_segment(segment, findings.item((*here, "segment"), index), findings)
    for index, (low_hz, high_hz) in enumerate(when.frequency or ()):
        place = findings.item((*here, "frequency"), index)
        if high_hz > FREQUENCY_LIMIT_HZ:
            limit = format_frequency(FREQUENCY_LIMIT_HZ)
            findings.error(place, f"{format_frequency(high_hz)} is no HF frequency", f"stay within 0 to {limit}")
        elif names.bands_sure and not any(
            low_hz <= band.high_hz and high_hz > band.low_hz for band in names.bands.values()
        ):
            findings.warning(place, f"the range touches no band of region {keys.region}", "the rule decides nothing")
    if when.amplifier is not None and keys.amplifier is None and findings.is_whole("amplifier"):
        findings.warning((*here, "amplifier"), "the station has no amplifier", "describe it under `amplifier`")


def _judge_then(
    rule: RuleKeys,
    then: ThenKeys,
    here: Location,
    keys: StationKeys,
    outputs: dict[str, OutputKeys],
    names: Names,
    findings: Findings,
) -> None:
    place = (*here, "then")
    if not then.model_fields_set and findings.is_whole(*place):
        findings.error(place, "the rule decides nothing", "write antenna, drive, amplifier, inhibit, warn or send")
    if then.antenna is not None:
        _judge_antenna(rule.when, then.antenna, here, keys, names, findings)
    if rule.when.event is not None:
        for key in _NOT_FOR_REACTIONS:
            if getattr(then, key) is not None:
                text = f"a rule with an event cannot set {key}"
                findings.error((*place, key), text, "it may warn, send, or set amplifier: standby", key=True)
    if then.amplifier is not None and rule.when.event is None and "operate" in (rule.when.amplifier or ()):
        text = "a rule that holds in operate and asks for standby would switch back and forth for ever"
        findings.error((*place, "amplifier"), text, "ask for something else than `amplifier: operate` in `when`")
    for key in ("inhibit", "warn"):
        text = getattr(then, key)
        if text is not None and text.lower() in BOOLEAN_WORDS and findings.is_bare((*place, key)):
            hint = f"write the reason, put it in quotes if that is it, or leave `{key}` out"
            findings.warning((*place, key), f"`{text}` is a word here and serves as the text", hint)
    if then.amplifier is not None and keys.amplifier is None and findings.is_whole("amplifier"):
        findings.warning((*place, "amplifier"), "the station has no amplifier", "describe it under `amplifier`")
    if then.send is not None:
        _judge_send(rule.when, then.send.output, then.send.text, (*place, "send"), outputs, names, findings)


def _judge_antenna(
    when: WhenKeys, antenna: str, here: Location, keys: StationKeys, names: Names, findings: Findings
) -> None:
    place = (*here, "then", "antenna")
    if antenna not in names.antennas:
        findings.error(place, f"there is no antenna `{antenna}`", nearest(antenna, names.antennas))
    for key in _NOT_WITH_ANTENNA:
        if getattr(when, key) is not None:
            text = f"a rule that sets the antenna cannot ask for `{key}`"
            findings.error((*here, "when", key), text, "leave it out: no antenna is switched for it", key=True)
    known = keys.antennas.get(antenna)
    if known is not None and when.band is not None and not set(when.band) & set(known.bands):
        text = f"`{antenna}` covers no band of this rule and is never chosen by it"
        findings.warning(place, text, f"it covers {', '.join(known.bands)}")


def _judge_send(
    when: WhenKeys,
    output: str,
    text: str,
    place: Location,
    outputs: dict[str, OutputKeys],
    names: Names,
    findings: Findings,
) -> None:
    if output not in names.outputs:
        findings.error((*place, "output"), f"there is no output `{output}`", nearest(output, names.outputs))
    elif output in outputs and not isinstance(outputs[output], JsonlKeys | LogKeys):
        findings.error(
            (*place, "output"), f"`{output}` is a device and takes commands only", "send to a jsonl or log output"
        )
    fields = set(CONTEXT_FIELDS).union(*(EVENT_FIELDS[event] for event in when.event or ()))
    try:
        template = Template.parse(text)
    except TemplateError as error:
        findings.error((*place, "text"), error.text, error.hint)
        return
    for name in template.fields:
        if name not in fields:
            findings.error((*place, "text"), f"there is no field {{{name}}} here", nearest(name, sorted(fields)))


def _warn_of_shadows(rules: list[Rule], keys: StationKeys, findings: Findings) -> None:
    """Warn of settings that an earlier rule without conditions has decided already."""
    drive: str | None = None
    chosen: dict[str, tuple[str, frozenset[str]]] = {}
    for index, rule in enumerate(rules):
        place: Location = ("rules", index, "then")
        hint = "put this rule above that one, or give that one a condition"
        if rule.then.drive_w is not None and rule.when.events is None:
            if drive is not None:
                findings.warning((*place, "drive"), f"`{drive}` always decides the drive before this", hint)
            elif rule.when == When():
                drive = rule.name
        if rule.then.antenna is not None:
            bands = frozenset(keys.antennas[rule.then.antenna].bands)
            earlier = [name for name, covered in chosen.values() if bands <= covered]
            if earlier:
                findings.warning((*place, "antenna"), f"`{earlier[0]}` always decides the antenna before this", hint)
            elif rule.when == When():
                chosen[rule.then.antenna] = (rule.name, bands)
