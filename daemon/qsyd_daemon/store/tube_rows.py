"""The tube's account as rows: one of sums, and one for each day with an over; and the accounts of tubes before it."""

import json
import sqlite3
from collections.abc import Iterable

from qsyd_rules.tube_account import Day, OldTube, TubeAccount

TUBE_TABLE = """CREATE TABLE tube (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    heater_us INTEGER NOT NULL, operate_us INTEGER NOT NULL, key_down_us INTEGER NOT NULL, overs INTEGER NOT NULL
) STRICT"""
TUBE_DAYS_TABLE = """CREATE TABLE tube_days (
    date TEXT PRIMARY KEY, overs INTEGER NOT NULL, gain_overs INTEGER NOT NULL, gain_sum_db REAL NOT NULL
) STRICT, WITHOUT ROWID"""
"""Since version 2. Values are sums, never steps, so writing one twice does no harm."""
OLD_TUBES_TABLE = """CREATE TABLE old_tubes (
    number INTEGER PRIMARY KEY, ended_at TEXT NOT NULL, operator TEXT NOT NULL, reason TEXT NOT NULL,
    heater_us INTEGER NOT NULL, operate_us INTEGER NOT NULL, key_down_us INTEGER NOT NULL, overs INTEGER NOT NULL,
    days TEXT NOT NULL
) STRICT"""
"""Since version 3. `days` is a JSON list of [date, overs, overs with a gain, sum of gains in dB]."""


def read_tube(connection: sqlite3.Connection) -> TubeAccount:
    """The account as it was written last; an empty one where there is none. Raises `sqlite3.Error`."""
    sums = connection.execute("SELECT heater_us, operate_us, key_down_us, overs FROM tube").fetchone()
    days = connection.execute("SELECT date, overs, gain_overs, gain_sum_db FROM tube_days ORDER BY date").fetchall()
    heater_us, operate_us, key_down_us, overs = sums or (0, 0, 0, 0)
    return TubeAccount(heater_us, operate_us, key_down_us, overs, tuple(Day(*day) for day in days))


def put_tube(connection: sqlite3.Connection, account: TubeAccount, known: TubeAccount) -> None:
    """Write what differs from the account that the file is known to hold; inside a transaction of the caller's."""
    connection.execute(
        "INSERT OR REPLACE INTO tube VALUES (1, ?, ?, ?, ?)",
        (account.heater_us, account.operate_us, account.key_down_us, account.overs),
    )
    written = set(known.days)
    connection.executemany(
        "INSERT OR REPLACE INTO tube_days VALUES (?, ?, ?, ?)",
        ((day.date, day.overs, day.gain_overs, day.gain_sum_db) for day in account.days if day not in written),
    )


def read_old_tubes(connection: sqlite3.Connection) -> tuple[OldTube, ...]:
    """The tubes before this one, the oldest first. Raises `sqlite3.Error`."""
    rows = connection.execute(
        "SELECT ended_at, operator, reason, heater_us, operate_us, key_down_us, overs, days FROM old_tubes ORDER BY number"
    ).fetchall()
    return tuple(
        OldTube(
            *(ended_at, operator, reason),
            TubeAccount(heater_us, operate_us, key_down_us, overs, tuple(Day(*day) for day in json.loads(days))),
        )
        for ended_at, operator, reason, heater_us, operate_us, key_down_us, overs, days in rows
    )


def retire_tube(connection: sqlite3.Connection, old: OldTube) -> None:
    """Keep an account as that of an old tube, and begin anew; inside a transaction of the caller's."""
    _put_old(connection, old)
    connection.execute("DELETE FROM tube")
    connection.execute("DELETE FROM tube_days")


def replace_tubes(connection: sqlite3.Connection, account: TubeAccount, old_tubes: Iterable[OldTube]) -> None:
    """Make the tables say just this; inside a transaction of the caller's."""
    for table in ("tube", "tube_days", "old_tubes"):
        connection.execute(f"DELETE FROM {table}")  # noqa: S608 - constants only
    for old in old_tubes:
        _put_old(connection, old)
    if account != TubeAccount():
        put_tube(connection, account, TubeAccount())


def _put_old(connection: sqlite3.Connection, old: OldTube) -> None:
    account = old.account
    days = json.dumps([[day.date, day.overs, day.gain_overs, day.gain_sum_db] for day in account.days])
    connection.execute(
        "INSERT INTO old_tubes (ended_at, operator, reason, heater_us, operate_us, key_down_us, overs, days) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            *(old.ended_at, old.operator, old.reason),
            *(account.heater_us, account.operate_us, account.key_down_us, account.overs),
            days,
        ),
    )
