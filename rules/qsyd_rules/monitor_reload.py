"""What the monitor doubts of what it has seen, once another station is in force; its own comparison of the two."""

from dataclasses import replace

from qsyd_rules.command import RecallPreset, SelectAntenna
from qsyd_rules.event import Reloaded
from qsyd_rules.monitor_account import Account
from qsyd_rules.monitor_evidence import Heater
from qsyd_rules.monitor_facts import Facts
from qsyd_rules.monitor_told import Told


def reloaded(account: Account, event: Reloaded, facts: Facts) -> Account:
    """The account of the station that `facts` tells of, made of the one before."""
    before, at_us = Facts(event.before, event.wired), event.at_us
    account = account.but(exchanging_us=None, tuning=None)
    if facts.followed != before.followed or facts.followed in event.rigs:
        silent_us = at_us if account.silent_us is None else account.silent_us
        key = account.key.turned(at_us, rig=False, sensed=False)
        account = account.but(reading=None, silent_us=silent_us, key=key)
    if facts.followed != before.followed:
        account = _unwanted(account, at_us)
    for output, _ in account.key.power_until_us:
        if output in event.outputs or output not in facts.wiring.meters:
            account = account.but(key=account.key.powered(at_us, output, at_us))
    account = _told(account, event, before, facts)
    return _heater(account, event, before, facts)


def _told(account: Account, event: Reloaded, before: Facts, facts: Facts) -> Account:
    carried = {name for output in event.outputs for known in (before, facts) for name in known.wiring.of(output)}

    def doubted(told: Told | None) -> Told | None:
        return replace(told, good=False) if told is not None and told.command.name in carried else told

    antenna, tank = doubted(account.antenna), doubted(account.tank)
    if antenna is not None and isinstance(antenna.command, SelectAntenna):
        name = antenna.command.antenna
        was, known = before.antennas.get(name), facts.antennas.get(name)
        if was is None or known is None or was.port != known.port:
            antenna = None
    if tank is not None and isinstance(tank.command, RecallPreset):
        named = tank.command.segment
        if before.edges(named) != facts.edges(named):
            tank = None
    read = None if event.outputs & facts.amplifier_outputs else account.line_read
    positions = account.positions_read if tank is account.tank else None
    return account.but(
        permit=doubted(account.permit),
        line=doubted(account.line),
        antenna=antenna,
        tank=tank,
        drive=doubted(account.drive),
        line_read=read,
        positions_read=positions,
    )


def _heater(account: Account, event: Reloaded, before: Facts, facts: Facts) -> Account:
    at_us, heater = event.at_us, account.heater
    switches = [each.amplifier_outputs for each in (before, facts)]
    by_hand = [each.heater_by_hand for each in (before, facts)]
    gone = facts.amplifier is None or before.amplifier is None
    other = gone or switches[0] != switches[1] or by_hand[0] != by_hand[1]
    if other or event.others & (switches[0] | switches[1]):
        account = _unwanted(account, at_us) if gone or heater.since_us is not None else account
        heater = Heater(shut_down=heater.shut_down)
    if event.outputs & facts.amplifier_outputs:
        heater = replace(heater, unseen_us=at_us, off_us=None)
    return account.but(heater=heater)


def _unwanted(account: Account, at_us: int) -> Account:
    return account if account.unwanted_us is not None else account.but(unwanted_us=at_us)
