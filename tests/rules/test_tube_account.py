"""The tube's account: sums that only grow, whatever the order, and the mean gain of each day."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qsyd_rules.tube_account import IDLE, Day, TubeAccount, Use, joined, over_ended, passed

HOUR_US = 3_600_000_000


def test_hours_go_to_what_was_on() -> None:
    account = TubeAccount()
    for use, hours in (
        (IDLE, 5),
        (Use(heater_on=True), 2),
        (Use(heater_on=True, keyed=True), 1),  # barefoot
        (Use(heater_on=True, in_operate=True), 3),
        (Use(heater_on=True, in_operate=True, keyed=True), 1),
        (Use(heater_on=False, in_operate=True, keyed=True), 9),  # cannot be: a cold tube does no work
    ):
        account = passed(account, use, hours * HOUR_US)

    assert (account.heater_us, account.operate_us, account.key_down_us) == (7 * HOUR_US, 4 * HOUR_US, 1 * HOUR_US)


def test_each_day_has_the_mean_of_its_gains_and_all_its_overs() -> None:
    account = TubeAccount()
    for date, gain_db in (("2026-03-02", 13.0), ("2026-03-01", 14.0), ("2026-03-02", None), ("2026-03-02", 12.0)):
        account = over_ended(account, date, gain_db)

    assert account.overs == 4
    assert account.days == (Day("2026-03-01", 1, 1, 14.0), Day("2026-03-02", 3, 2, 25.0))
    assert [day.gain_db for day in account.days] == [14.0, 12.5]
    assert Day("2026-03-03", 2).gain_db is None


uses = st.builds(Use, st.booleans(), st.booleans(), st.booleans())


@given(st.lists(st.tuples(uses, st.integers(-5, 10**12))))
def test_sums_never_fall_and_keep_their_order(story: list[tuple[Use, int]]) -> None:
    account = TubeAccount()
    for use, duration_us in story:
        after = passed(account, use, duration_us)
        assert after.heater_us >= account.heater_us
        assert after.heater_us >= after.operate_us >= after.key_down_us >= 0
        account = after


@given(st.lists(st.tuples(uses, st.integers(0, 10**9)), min_size=1), st.integers(1, 10))
def test_it_does_not_matter_how_often_time_is_told(story: list[tuple[Use, int]], pieces: int) -> None:
    whole = split = TubeAccount()
    for use, duration_us in story:
        whole = passed(whole, use, duration_us * pieces)
        for _ in range(pieces):
            split = passed(split, use, duration_us)

    assert whole == split


def test_days_beyond_ten_years_are_forgotten_the_oldest_first() -> None:
    days = tuple(Day(f"{1000 + number}-01-01", 1) for number in range(4_000))

    account = over_ended(TubeAccount(overs=4_000, days=days), "9999-01-01", 10.0)

    assert (len(account.days), account.days[0].date, account.days[-1].date) == (4_000, "1001-01-01", "9999-01-01")
    assert account.overs == pytest.approx(4_001)


def test_two_parts_of_an_account_join_as_if_there_had_been_one() -> None:
    """Whatever is added in two parts is the same as in one: the day that both have, too."""
    whole, parts = TubeAccount(), [TubeAccount(), TubeAccount()]
    for number, (date, gain_db) in enumerate([("2026-03-01", 12.0), ("2026-03-02", None), ("2026-03-02", 11.5)]):
        use = Use(heater_on=True, in_operate=True, keyed=number > 0)
        part = 0 if number < 2 else 1
        whole = over_ended(passed(whole, use, 7 + number), date, gain_db)
        parts[part] = over_ended(passed(parts[part], use, 7 + number), date, gain_db)

    assert joined(*parts) == whole
    assert joined(TubeAccount(), whole) == whole == joined(whole, TubeAccount())
