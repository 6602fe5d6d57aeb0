"""What the tube has been through: hours of heater and operate, time keyed, overs, and its gain day by day.

Only what the daemon has seen counts: it is an account since the state directory was made, or since a new tube was put
in, not the amplifier's own meter.
"""

from dataclasses import dataclass, replace

FULL_PART = 0.7
"""An over with at least this part of the amplifier's output is one at about full output. Common practice, no source."""
DAYS_MOST = 4_000


@dataclass(frozen=True, slots=True)
class Day:
    """One UTC day: overs in operate, how many of them at about full output told a gain, and the sum of those gains in dB."""

    date: str
    """`2026-03-01`."""
    overs: int = 0
    gain_overs: int = 0
    gain_sum_db: float = 0.0

    @property
    def gain_db(self) -> float | None:
        """Mean gain of the day at about full output."""
        return self.gain_sum_db / self.gain_overs if self.gain_overs else None


@dataclass(frozen=True, slots=True)
class Use:
    """What the tube is doing: from now on, until it is told otherwise."""

    heater_on: bool = False
    in_operate: bool = False
    keyed: bool = False


IDLE = Use()


@dataclass(frozen=True, slots=True)
class TubeAccount:
    """Sums since the account was begun, in microseconds; `days` are those with an over, the oldest first."""

    heater_us: int = 0
    operate_us: int = 0
    key_down_us: int = 0
    """Keyed with the amplifier in operate."""
    overs: int = 0
    days: tuple[Day, ...] = ()


@dataclass(frozen=True, slots=True)
class OldTube:
    """A tube that has been taken out, with its whole account."""

    ended_at: str
    """RFC 3339, UTC."""
    operator: str
    reason: str
    account: TubeAccount


def joined(earlier: TubeAccount, later: TubeAccount) -> TubeAccount:
    """One account of two parts that follow each other."""
    days = {day.date: day for day in earlier.days}
    for day in later.days:
        known = days.get(day.date, Day(day.date))
        days[day.date] = Day(
            day.date,
            known.overs + day.overs,
            known.gain_overs + day.gain_overs,
            known.gain_sum_db + day.gain_sum_db,
        )
    return TubeAccount(
        earlier.heater_us + later.heater_us,
        earlier.operate_us + later.operate_us,
        earlier.key_down_us + later.key_down_us,
        earlier.overs + later.overs,
        tuple(days[date] for date in sorted(days))[-DAYS_MOST:],
    )


def passed(account: TubeAccount, use: Use, duration_us: int) -> TubeAccount:
    """The account after the tube has been used so for this long; never less than before."""
    if not use.heater_on or duration_us <= 0:
        return account
    operate_us = duration_us if use.in_operate else 0
    return replace(
        account,
        heater_us=account.heater_us + duration_us,
        operate_us=account.operate_us + operate_us,
        key_down_us=account.key_down_us + (operate_us if use.keyed else 0),
    )


def over_ended(account: TubeAccount, date: str, gain_db: float | None) -> TubeAccount:
    """The account after one over in operate that ended on this UTC day; `gain_db` at about full output, else None."""
    known = {day.date: day for day in account.days}
    day = known.get(date, Day(date))
    known[date] = Day(
        date,
        day.overs + 1,
        day.gain_overs + (gain_db is not None),
        day.gain_sum_db + (gain_db or 0.0),
    )
    days = tuple(known[each] for each in sorted(known))[-DAYS_MOST:]
    return replace(account, overs=account.overs + 1, days=days)
