"""The status page where things go wrong for whoever depends on it: tokens mistyped and taken back, answers that come late."""

import signal
from collections.abc import Iterator

import pytest
from browser import chromium, needs_chromium, opened
from playwright.sync_api import Browser, Page, expect
from running_daemon import qsyd
from tune_bench import TuneBench, tune_bench

pytestmark = [needs_chromium, pytest.mark.timeout(240)]

HEARD = """
window.heard = [];
new MutationObserver((changes) => {
  for (const change of changes) {
    const element = change.target.nodeType === 1 ? change.target : change.target.parentElement;
    const region = element && element.closest("[aria-live], [role=alert], [role=status]");
    if (region && region.getAttribute("aria-live") !== "off") heard.push(`${region.id}: ${region.textContent}`);
  }
}).observe(document.body, { childList: true, characterData: true, subtree: true });
"""
"""What a screen reader is told to say by itself: a change inside a live region (WAI-ARIA 1.2, aria-live)."""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TuneBench]:
    api = '\napi: {listen: "127.0.0.1:0", lease: 6 s}\n'
    with tune_bench(tmp_path_factory.mktemp("page-attacks"), lambda text: text + api, warm=False) as running:
        running.bench.type("tune 14.205 MHz")
        yield running


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as running:
        yield running


@pytest.fixture
def page(bench: TuneBench, browser: Browser) -> Iterator[Page]:
    with opened(browser, address(bench)) as shown:
        yield shown


def address(bench: TuneBench) -> str:
    where: str = bench.status()["api"]["address"]
    return f"{where}/"


def token(bench: TuneBench, name: str) -> str:
    done = qsyd("token", "new", "operate", "--name", name, "--state", str(bench.state))
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def shows(page: Page, secret: str) -> None:
    page.get_by_label("A token to watch or to operate").fill(secret)
    page.get_by_role("button", name="Use it").click()


def signed_in(page: Page, bench: TuneBench, name: str) -> None:
    shows(page, token(bench, name))
    expect(page.locator("#caller")).to_have_text(f"{name}: may operate")


# What a screen reader hears


def test_a_lost_connection_is_told_once_and_not_every_second(page: Page, bench: TuneBench) -> None:
    assert bench.daemon is not None
    bench.daemon.process.send_signal(signal.SIGSTOP)
    try:
        expect(page.locator("#lost")).to_contain_text("the station does not answer")
        page.evaluate(HEARD)
        before = page.locator("#lost").text_content()
        page.wait_for_timeout(2_500)
        assert page.locator("#lost").text_content() != before, "the seconds go on for the eye"
        assert page.evaluate("heard") == []
    finally:
        bench.daemon.process.send_signal(signal.SIGCONT)
    expect(page.locator("#lost")).to_be_hidden()


def test_a_fault_and_the_reasons_of_an_inhibit_are_spoken(page: Page) -> None:
    for words in ("fault-detail", "fault-advice", "reasons"):
        live = f"document.getElementById('{words}').closest('[aria-live], [role=alert]') !== null"
        assert page.evaluate(live), words


# What is shown


def test_meters_that_were_gone_for_a_while_are_shown_again(page: Page) -> None:
    rows = page.locator("#meter-rows tr")
    expect(rows).to_have_count(10)
    page.evaluate("show({...known.status, meters: null}); show(known.status)")
    expect(rows).to_have_count(10)


# The lease


def test_a_lease_cannot_be_unchecked_before_its_answer_and_be_held_unseen(page: Page, bench: TuneBench) -> None:
    signed_in(page, bench, "hasty")
    box = page.get_by_label("Go to standby if the station loses this page")
    assert bench.daemon is not None
    bench.daemon.process.send_signal(signal.SIGSTOP)
    try:
        page.evaluate("for (let turn = 0; turn < 2; turn += 1) document.getElementById('lease').click()")
        page.wait_for_timeout(300)
    finally:
        bench.daemon.process.send_signal(signal.SIGCONT)

    page.wait_for_timeout(1_500)
    assert bench.status()["api"]["leases"] == (["hasty"] if box.is_checked() else [])
    box.uncheck()
    page.wait_for_timeout(300)
    assert bench.status()["api"]["leases"] == []


# Tokens


def test_a_mistyped_token_does_not_shut_out_the_right_one(page: Page, bench: TuneBench) -> None:
    shows(page, "mistyped")
    expect(page.locator("#lost")).to_contain_text("not one of the station's")
    page.wait_for_timeout(7_000)

    signed_in(page, bench, "typist")

    expect(page.locator("#lost")).to_be_hidden()


def test_a_page_whose_token_is_taken_back_leaves_its_neighbour_the_station(
    page: Page, bench: TuneBench, browser: Browser
) -> None:
    signed_in(page, bench, "former")
    with opened(browser, address(bench)) as neighbour:
        signed_in(neighbour, bench, "neighbour")
        neighbour.get_by_label("Go to standby if the station loses this page").check()
        expect(neighbour.locator("#lease-now")).to_contain_text("Kept")

        assert qsyd("token", "remove", "former", "--state", str(bench.state)).returncode == 0
        expect(page.locator("#lost")).to_contain_text("not one of the station's")
        assert page.title().startswith("token wanted")
        neighbour.wait_for_timeout(9_000)

        expect(neighbour.locator("#lost")).to_be_hidden()
        expect(neighbour.locator("#lease-now")).to_contain_text("Kept")
        assert bench.status()["api"]["leases"] == ["neighbour"]


def test_a_refusal_for_a_while_does_not_give_up_a_lease(page: Page, bench: TuneBench) -> None:
    """Last in this file: for a minute nobody at this address is let in."""
    signed_in(page, bench, "keeper")
    page.get_by_label("Go to standby if the station loses this page").check()
    expect(page.locator("#lease-now")).to_contain_text("Kept")
    guesses = "Promise.all([...Array(12)].map(() => fetch('/v1/status', {headers: {Authorization: 'Bearer guess'}})))"
    page.evaluate(guesses)

    expect(page.locator("#lost")).to_contain_text("too many wrong tokens")
    page.wait_for_timeout(2_500)

    expect(page.locator("#lease-now")).to_contain_text("Kept")
