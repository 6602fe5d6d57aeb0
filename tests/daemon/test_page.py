"""The status page in a real browser, against a daemon on the bench: what it shows, what it may do, what it says when lost."""

import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser import chromium, needs_chromium, opened
from live_run import until
from playwright.sync_api import Browser, Page, expect
from running_daemon import ENVIRONMENT, qsyd
from tune_bench import TuneBench, tune_bench

pytestmark = [needs_chromium, pytest.mark.timeout(240)]

HOSTILE = "<img src=x onerror=document.title='owned'>אבג"
RULES = f"""
rules:
  - {{name: "{HOSTILE}", when: {{band: 40m}}, then: {{warn: "{HOSTILE}{"w" * 300}"}}}}
  - {{name: the closed end, when: {{frequency: 14.300..14.320 MHz}}, then: {{inhibit: "{HOSTILE} kept clear tonight"}}}}
"""


def edited(text: str) -> str:
    text = text.replace("warm_up: 1 s", "warm_up: 6 s").replace("limits: {", "limits: {key_down: 2 s, ")
    assert "6 s" in text
    assert "key_down: 2 s" in text
    return text + RULES + '\napi: {listen: "127.0.0.1:0", lease: 3 s}\n'


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TuneBench]:
    with tune_bench(tmp_path_factory.mktemp("page"), edited, warm=False) as running:
        running.bench.type("tune 14.205 MHz")
        yield running


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as running:
        yield running


@pytest.fixture
def page(bench: TuneBench, browser: Browser) -> Iterator[Page]:
    bench.bench.type("tune 14.205 MHz")
    with opened(browser, address(bench)) as shown:
        yield shown


@pytest.fixture
def phone(bench: TuneBench, browser: Browser) -> Iterator[Page]:
    bench.bench.type("tune 14.205 MHz")
    with opened(browser, address(bench), width=360, height=740) as shown:
        yield shown


def address(bench: TuneBench) -> str:
    where: str = bench.status()["api"]["address"]
    return f"{where}/"


def token(bench: TuneBench, role: str, name: str) -> str:
    done = qsyd("token", "new", role, "--name", name, "--state", str(bench.state))
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def signed_in(page: Page, bench: TuneBench, role: str, name: str) -> None:
    page.get_by_label("A token to watch or to operate").fill(token(bench, role, name))
    page.get_by_role("button", name="Use it").click()
    expect(page.locator("#caller")).to_have_text(f"{name}: may {role}")


# What it shows


def test_the_first_thing_told_is_whether_one_may_transmit_and_why_not(page: Page, bench: TuneBench) -> None:
    expect(page.locator("#verdict")).to_have_text("Transmit released, barefoot")
    expect(page.locator("#frequency")).to_have_text("14.205 000")
    expect(page.locator("#segment")).to_have_text("20m/1")
    expect(page.locator("#antenna")).to_contain_text("reed-beam on port")
    expect(page.locator("#preset")).to_have_text("none stored")

    bench.bench.type("tune 14.310 MHz")

    expect(page.locator("#verdict")).to_have_text("Transmit inhibited")
    expect(page.locator("#reasons")).to_contain_text("kept clear tonight")
    expect(page.locator("#frequency")).to_have_text("14.310 000")
    assert page.title().startswith("inhibited")
    bench.bench.type("tune 14.205 MHz")
    expect(page.locator("#verdict")).to_have_text("Transmit released, barefoot")


def test_what_the_station_file_says_is_text_and_never_markup(page: Page, bench: TuneBench) -> None:
    bench.bench.type("tune 7.100 MHz")

    expect(page.locator("#warning-list")).to_contain_text("<img src=x onerror")
    expect(page.locator("#decision-list")).to_contain_text("wwww")
    assert page.locator("img").count() == 0
    assert page.title() != "owned"
    bench.bench.type("tune 14.205 MHz")


def test_nothing_of_the_station_is_in_the_files_of_the_page(bench: TuneBench) -> None:
    room = Path(__file__).parents[2] / "daemon/qsyd_daemon/page"
    whole = "".join(path.read_text(encoding="utf-8") for path in room.iterdir())
    assert "innerHTML" not in whole
    assert "Heron" not in whole
    assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)", whole), "nothing from elsewhere"


def test_meters_stand_against_their_limits_and_the_unknown_is_never_nought(page: Page) -> None:
    row = page.get_by_role("row", name=re.compile("SWR"))
    expect(row.locator(".reading")).to_have_text("unknown")
    expect(row.locator(".limit")).to_contain_text("limit 2.5")
    expect(page.get_by_role("row", name=re.compile("Grid")).locator(".limit")).to_contain_text("limit 120 mA")


# A phone, a keyboard, a screen reader, a dark shack


def test_a_phone_of_360_pixels_shows_all_of_it(phone: Page) -> None:
    assert phone.evaluate("document.documentElement.scrollWidth") <= 360
    standby = phone.get_by_role("button", name="Standby")
    box = standby.bounding_box()
    assert box is not None
    assert box["height"] >= 44, "a thumb hits it: WCAG 2.2, 2.5.5 asks for 44 pixels"
    assert box["y"] + box["height"] <= 740, "without scrolling"


def test_standby_is_reached_by_keyboard_alone(phone: Page, bench: TuneBench) -> None:
    signed_in(phone, bench, "operate", "keys")
    phone.reload()
    expect(phone.locator("#caller")).to_have_text("keys: may operate")

    phone.keyboard.press("Tab")
    expect(phone.locator(":focus")).to_have_text("Go to standby and operate")
    phone.keyboard.press("Enter")
    phone.keyboard.press("Tab")
    expect(phone.locator(":focus")).to_have_text("Standby")
    phone.keyboard.press("Enter")

    expect(phone.get_by_role("status")).to_contain_text("standby")


def test_every_control_has_a_name_and_headings_are_in_order(page: Page) -> None:
    nameless = page.evaluate(
        "[...document.querySelectorAll('button, input, select')].filter("
        "(each) => !(each.textContent.trim() || (each.labels && each.labels.length))).map((each) => each.outerHTML)"
    )
    assert nameless == []
    levels = page.evaluate("[...document.querySelectorAll('h1, h2, h3')].map((each) => Number(each.tagName[1]))")
    assert levels[0] == 1
    assert set(levels[1:]) == {2}
    assert page.evaluate("document.documentElement.lang") == "en"
    regions = page.evaluate("[...document.querySelectorAll('[aria-live], [role=alert]')].map((each) => each.id)")
    assert {"verdict", "said", "lost"} <= set(regions)


@pytest.mark.parametrize("look", ["dark", "light"])
def test_text_stands_out_from_its_ground(page: Page, look: str) -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1 for text; 1.4.11: 3 to 1 for what bounds a control. Relative luminance as defined there."""
    if look == "light":
        page.get_by_role("button", name="Light").click()
    else:
        assert page.evaluate("document.documentElement.dataset.look") == "dark", "unless asked otherwise"
    names = ("ground", "sheet", "act", "text", "faint", "good", "bad", "note", "edge")
    colours = {
        name: page.evaluate(f"getComputedStyle(document.documentElement).getPropertyValue('--{name}').trim()")
        for name in names
    }
    for ground in ("ground", "sheet", "act"):
        for ink in ("text", "faint", "good", "bad", "note"):
            assert contrast(colours[ink], colours[ground]) >= 4.5, (ink, ground)
        assert contrast(colours["edge"], colours[ground]) >= 3, ground


def contrast(one: str, other: str) -> float:
    brighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (brighter + 0.05) / (darker + 0.05)


def _luminance(colour: str) -> float:
    assert re.fullmatch("#[0-9a-f]{6}", colour), colour
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


# What may be done there


def test_without_a_token_it_looks_and_says_what_it_takes_to_operate(page: Page) -> None:
    expect(page.locator("#caller")).to_have_text("no token: may look")
    standby = page.get_by_role("button", name="Standby")
    expect(standby).to_have_attribute("aria-disabled", "true")
    standby.click(force=True)
    expect(page.locator("#said")).to_contain_text("it takes a token to operate")


def test_a_token_to_watch_operates_nothing(page: Page, bench: TuneBench) -> None:
    signed_in(page, bench, "watch", "looker")
    page.get_by_role("button", name="Standby").click(force=True)
    expect(page.locator("#said")).to_contain_text("this token may only look")


def test_a_wrong_token_is_told_and_nothing_else_breaks(page: Page) -> None:
    page.get_by_label("A token to watch or to operate").fill("nonsense")
    page.get_by_role("button", name="Use it").click()
    expect(page.locator("#said")).to_contain_text("not one of the station's")
    expect(page.locator("#lost")).to_contain_text("only to those with a token of its own")
    page.get_by_role("button", name="Forget it").click()
    expect(page.locator("#caller")).to_have_text("no token: may look")
    expect(page.locator("#lost")).to_be_hidden()


def test_warm_up_counts_down_operate_is_armed_and_standby_ends_the_wish(page: Page, bench: TuneBench) -> None:
    signed_in(page, bench, "operate", "remote")
    page.get_by_text("Heater", exact=True).click()
    page.get_by_role("button", name="Heater on").click()

    expect(page.locator("#state")).to_have_text("warm-up")
    expect(page.locator("#countdown")).to_have_text(re.compile("ready in 0:0[3456]"))
    page.get_by_role("button", name="Operate when ready").click()
    expect(page.locator("#hindrance")).to_have_text("Operate follows the warm-up.")
    expect(page.locator("#countdown")).to_have_text("ready in 0:02")
    expect(page.locator("#state")).to_have_text("standby")
    expect(page.locator("#countdown")).to_have_text("")
    expect(page.locator("#hindrance")).to_contain_text("no preset for reed-beam on 20m/1")

    page.get_by_role("button", name="Standby").click()

    expect(page.locator("#hindrance")).to_have_text("Nobody has asked for operate.")
    assert bench.status()["amplifier"]["wish"] == "standby"


def test_a_hold_is_made_shown_and_ended(page: Page, bench: TuneBench) -> None:
    signed_in(page, bench, "operate", "holder")
    page.get_by_label("Antenna", exact=True).select_option("reed-beam")
    page.get_by_label("Minutes").fill("20")
    page.locator("#hold-reason").fill("trying it")
    page.get_by_role("button", name="Hold", exact=True).click()

    expect(page.locator("#hold-now")).to_have_text(
        re.compile(r"holder holds reed-beam for (19|20):\d\d more: trying it")
    )
    page.get_by_role("button", name="End the hold").click()
    expect(page.locator("#hold-now")).to_be_hidden()


def test_a_lease_that_its_page_no_longer_renews_ends_in_standby(bench: TuneBench, browser: Browser) -> None:
    with opened(browser, address(bench)) as page:
        signed_in(page, bench, "operate", "leaser")
        page.get_by_label("Go to standby if the station loses this page").check()
        expect(page.locator("#lease-now")).to_contain_text("Lost for 3 s")
        assert bench.status()["api"]["leases"] == ["leaser"]
        page.wait_for_timeout(4_000)
        assert bench.status()["api"]["leases"] == ["leaser"], "renewed"

    until(lambda: not bench.status()["api"]["leases"] or None, lambda: "the lease gone with its page")
    assert any(each.get("code") == "lease-lost" for each in bench.events())


UNSEEN = """
window.unseen = false;
const [later, again] = [window.setTimeout.bind(window), window.setInterval.bind(window)];
window.setTimeout = (act, ms, ...rest) => later(act, window.unseen ? 60000 : ms, ...rest);
window.setInterval = (act, ms, ...rest) => again(() => { if (!window.unseen) act(...rest); }, ms);
"""
"""What browsers do to the timers of a page that has not been seen for minutes: they run once a minute, which here is longer
than the test (HTML, section 8.6, lets a browser delay timers; that it does so each minute is from memory). A browser
without a screen never hides a page, so its own doing cannot be tried here. The timers of workers are left as they are."""


def test_a_lease_is_kept_by_a_page_that_nobody_sees(bench: TuneBench, browser: Browser) -> None:
    with opened(browser, address(bench), first=UNSEEN) as page:
        signed_in(page, bench, "operate", "elsewhere")
        page.evaluate("window.unseen = true")
        page.get_by_label("Go to standby if the station loses this page").check()
        page.wait_for_timeout(7_000)  # more than twice the lease
        assert bench.status()["api"]["leases"] == ["elsewhere"]

        page.get_by_label("Go to standby if the station loses this page").uncheck()
        until(lambda: not bench.status()["api"]["leases"] or None, lambda: "the lease given back")
        page.wait_for_timeout(2_000)
        assert bench.status()["api"]["leases"] == []


# A fault, and a lost connection: these change the bench for whoever comes after


def test_a_fault_is_told_with_advice_and_acknowledged(page: Page, bench: TuneBench) -> None:
    signed_in(page, bench, "operate", "healer")
    bench.bench.type("key")
    expect(page.locator("#key")).to_be_visible()

    expect(page.locator("#fault-detail")).to_contain_text("keyed-too-long")
    expect(page.locator("#fault-advice")).to_contain_text("look for a stuck key")
    expect(page.locator("#verdict")).to_have_text("Transmit inhibited")
    page.get_by_role("button", name="Acknowledge").click()
    expect(page.locator("#said")).to_have_text("Refused: the key is still down")
    bench.bench.type("unkey")
    expect(page.locator("#key")).to_be_hidden()
    page.get_by_role("button", name="Acknowledge").click()

    expect(page.locator("#fault")).to_be_hidden()
    expect(page.locator("#verdict")).to_have_text("Transmit released, barefoot")
    assert bench.status()["amplifier"]["wish"] == "standby", "never to operate by itself"


def test_a_lost_station_greys_everything_says_since_when_and_comes_back(page: Page, bench: TuneBench) -> None:
    signed_in(page, bench, "operate", "lost-one")
    where = address(bench).rstrip("/")
    bench.kill()

    expect(page.locator("#lost")).to_have_text(re.compile(r"Connection lost at \d\d:\d\d:\d\d, \d+ s ago: .*old"))
    expect(page.locator("body")).to_have_class("old")
    assert "grayscale(1)" in page.evaluate("getComputedStyle(document.querySelector('main')).filter")
    page.get_by_role("button", name="Standby").click(force=True)
    expect(page.locator("#said")).to_have_text("Not sent: the connection is lost.")

    text = bench.station.read_text().replace("127.0.0.1:0", where.removeprefix("http://"))
    bench.station.write_text(text)
    bench.start(warm=False)
    expect(page.locator("#lost")).to_be_hidden()
    expect(page.locator("body")).not_to_have_class("old")
    expect(page.locator("#caller")).to_have_text("lost-one: may operate")


def test_a_station_that_stands_still_counts_as_lost(page: Page, bench: TuneBench) -> None:
    assert bench.daemon is not None
    bench.daemon.process.send_signal(signal.SIGSTOP)
    try:
        expect(page.locator("#lost")).to_contain_text("the station does not answer")
    finally:
        bench.daemon.process.send_signal(signal.SIGCONT)
    expect(page.locator("#lost")).to_be_hidden()


# How soon


def test_a_change_of_band_is_seen_within_200_ms_on_page_in_watch_and_in_a_stream(
    page: Page, bench: TuneBench, tmp_path: Path
) -> None:
    """From the daemon's own stamp of the rig's report (CLOCK_REALTIME of this machine for all four) to where it is seen."""
    seen: dict[str, list[float]] = {"page": [], "watch": [], "stream": []}
    page.evaluate(
        "window.changes = []; new MutationObserver(() => changes.push([Date.now(), "
        "document.getElementById('segment').textContent])).observe(document.getElementById('segment'), "
        "{childList: true, characterData: true, subtree: true})"
    )
    stamp = "import sys, time\nfor line in iter(sys.stdin.readline, ''): print(time.time(), line, end='', flush=True)"
    stamps = f'{sys.executable} -c "{stamp}"'
    commands = {
        "watch": f"{sys.executable} -m qsyd_daemon watch --json --state {bench.state}",
        "stream": f"curl -sN {address(bench)}v1/events",
    }
    running = []
    for name, command in commands.items():
        with (tmp_path / name).open("w") as out:
            words = ["/bin/sh", "-c", f"{command} | {stamps}"]
            running.append(subprocess.Popen(words, stdout=out, env=ENVIRONMENT, start_new_session=True))
    try:
        until(lambda: "snapshot" in (tmp_path / "stream").read_text() or None, lambda: "the stream")
        page.wait_for_timeout(1_000)
        for turn in range(6):
            band, megahertz = (("40m", "7.100"), ("20m", "14.205"))[turn % 2]
            bench.bench.type(f"tune {megahertz} MHz")
            expect(page.locator("#segment")).to_have_text(re.compile(f"^{band}/"))
            page.wait_for_timeout(1_200)
    finally:
        for process in running:
            subprocess.run(["pkill", "-s", str(process.pid)], check=False)
            process.wait(10)
    placed = [each for each in bench.events() if each["event"] == "placed"][-6:]
    assert [each["band"] for each in placed] == ["40m", "20m"] * 3
    for event in placed:
        stamped_s = _seconds(event["time"])
        seen["page"].append(_first(page.evaluate("changes"), stamped_s, event["band"]) - stamped_s)
        for name in commands:
            lines = [line for line in (tmp_path / name).read_text().splitlines() if event["time"] in line]
            lines = [line for line in lines if '"placed"' in line]
            seen[name].append(float(lines[0].split(" ")[0]) - stamped_s)
    medians = {name: sorted(values)[len(values) // 2] * 1000 for name, values in seen.items()}
    worst = {name: max(values) * 1000 for name, values in seen.items()}
    print("".join(f"\n{name}: median {medians[name]:.0f} ms, worst {worst[name]:.0f} ms" for name in seen))
    assert all(value < 200 for value in medians.values()), medians


def _seconds(time: str) -> float:
    from datetime import datetime

    return datetime.fromisoformat(time).timestamp()


def _first(changes: list[list[Any]], after_s: float, band: str) -> float:
    found = [at_ms / 1000 for at_ms, text in changes if text.startswith(f"{band}/") and at_ms / 1000 > after_s - 0.01]
    return float(found[0])
