"""What the gate lets go of when another station file comes into force, by its own reading of both stations."""

from typing import Any

from qsyd_rules.command import CommandName
from qsyd_rules.event import Reloaded
from qsyd_rules.gate_known import Account
from qsyd_rules.station import Station
from qsyd_rules.wiring import Wiring

_HELD_BY = {
    "inhibited_since_us": {CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT},
    "standby_since_us": {CommandName.AMPLIFIER_STANDBY, CommandName.AMPLIFIER_OPERATE},
    "antenna": {CommandName.SELECT_ANTENNA},
    "tank": {CommandName.RECALL_PRESET},
    "drive_w": {CommandName.LIMIT_DRIVE},
}
"""What rests on which commands; None stands for not known."""


def reloaded(account: Account, event: Reloaded, station: Station, wiring: Wiring) -> Account:
    """The account under the new station."""
    changes: dict[str, Any] = {"exchanging": False, "tuning": None}
    touched = set[CommandName]()
    for output in event.outputs:
        touched |= event.wired.of(output) | wiring.of(output)
    changes |= {name: None for name, commands in _HELD_BY.items() if commands & touched}
    asked = wiring.meters.keys() - event.outputs
    changes["rf"] = {output: until_us for output, until_us in account.rf.items() if output in asked}
    if account.antenna is not None and _ports(station).get(account.antenna) != _ports(event.before).get(
        account.antenna
    ):
        changes["antenna"] = None
    if account.tank is not None and _edges(station).get(account.tank.segment) != _edges(event.before).get(
        account.tank.segment
    ):
        changes["tank"] = None
    return account.but(**changes, **_rig(account, event, station), **_heater(account, event, station, wiring))


def _rig(account: Account, event: Reloaded, station: Station) -> dict[str, Any]:
    """The rig that is followed has told nothing yet, where it is another or its link is opened anew."""
    rig, other = station.followed, station.followed != event.before.followed
    if not other and rig not in event.rigs:
        return {}
    unheard: dict[str, Any] = {"rig_heard_us": None, "transmit_hz": None, "line_keyed": False}
    if other:
        unheard |= {"rig_keyed": False, "rig_told_from_us": -1, "asked_to_operate": False}
    return unheard


def _heater(account: Account, event: Reloaded, station: Station, wiring: Wiring) -> dict[str, Any]:
    sees, saw = _seeing(wiring), _seeing(event.wired)
    changes: dict[str, Any] = {}
    if sees & event.outputs:
        changes["lost_us"] = event.at_us
    elif sees != saw:
        changes["lost_us"] = None
    switched = wiring.carries(CommandName.AMPLIFIER_ON), event.wired.carries(CommandName.AMPLIFIER_ON)
    gone = station.amplifier is None or event.before.amplifier is None
    if gone or sees != saw or switched[0] is not switched[1] or event.others & (sees | saw):
        changes |= {"heater_on_us": None, "off_since_us": None, "off_asked_us": None}
        if account.heater_on_us is not None or gone:
            changes["asked_to_operate"] = False
    return changes


def _seeing(wiring: Wiring) -> set[str]:
    switched = CommandName.AMPLIFIER_ON if wiring.carries(CommandName.AMPLIFIER_ON) else CommandName.AMPLIFIER_OPERATE
    return {output for output, carried in wiring.outputs.items() if switched in carried}


def _ports(station: Station) -> dict[str, int | str]:
    return {antenna.name: antenna.port for antenna in station.antennas}


def _edges(station: Station) -> dict[str, tuple[int, int]]:
    return {segment.name: (segment.low_hz, segment.high_hz) for segment in station.segments}
