"""What the pages say before there is anything to see, and when something goes wrong."""

import threading
from http.client import HTTPConnection
from pathlib import Path

import pytest
import uvicorn
from playwright.sync_api import Browser, expect
from starlette.requests import Request
from starlette.routing import Route

from longsoak.service.drivers import load_rig
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmState
from longsoak_dashboards.access.rights import Access
from longsoak_dashboards.app import create_app
from longsoak_dashboards.sheets import HERE
from longsoak_dashboards.source import Source
from pages.inbrowser import page_of, shot
from pages.pagerig import Kept, change
from pages.serving import Served, now_ms, serve
from pages.staterigs import OVERFILL, being_restored, stop, without_file
from processes import longsoak
from waiting import wait_for

SMALLEST = (HERE / "static" / "smallest.toml").read_text()


def test_the_rig_file_to_begin_with_is_a_good_one(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(SMALLEST)
    rig, _ = load_rig(tmp_path / "rig.toml")
    assert [probe.name for probe in rig.probes] == ["panel timber"]


@pytest.mark.long
def test_the_first_page_leads_from_no_file_over_its_mistakes_to_the_wiring_plan(
    tmp_path: Path, browser: Browser
) -> None:
    with without_file(tmp_path) as served, page_of(browser, served, size="phone") as page:
        page.goto("/")
        expect(page.locator(".lead")).to_contain_text("There is no rig.toml here yet")
        expect(page.locator("pre")).to_have_text(SMALLEST)
        expect(page.get_by_role("heading", name="Mains and water")).to_be_visible()
        shot(page, "first-no-file")
        # Nobody reloads it: it looks again when the file is saved.
        (tmp_path / "rig.toml").write_text(SMALLEST.replace('"temperature"', '"heat"'))
        expect(page.locator(".lead")).to_contain_text("One mistake in rig.toml", timeout=15_000)
        said = longsoak("check", tmp_path / "rig.toml").stderr
        line = SMALLEST[: SMALLEST.index('kind = "temperature"')].count("\n") + 1
        assert f"rig.toml:{line}:" in said
        expect(page.locator(".mistakes li")).to_have_count(1)
        expect(page.locator(".mistakes li")).to_contain_text(f"Line {line}:")
        remedy = page.locator(".mistakes li b").last.inner_text()
        assert remedy in said
        shot(page, "first-mistakes")
        (tmp_path / "rig.toml").write_text(SMALLEST)
        expect(page.locator(".lead")).to_contain_text("rig.toml is good: my rig", timeout=15_000)
        row = page.locator(".plan tbody tr")
        expect(row).to_contain_text("panel timber")
        expect(row).to_contain_text("id 28-0316a2794bff")
        expect(page.get_by_text("longsoak run rig.toml").first).to_be_visible()
        shot(page, "first-plan")
        page.goto("/water")
        page.get_by_role("link", name="What to do first").click()
        expect(page.get_by_role("heading", name="The wiring plan")).to_be_visible()


def test_a_record_on_its_way_from_a_backup_is_told_as_such(tmp_path: Path) -> None:
    with being_restored(tmp_path) as served:
        for sheet in ("/", "/alarms"):
            text = served.get(sheet).text
            assert "The record is being put back from a backup." in text
            assert "longsoak run" in text


def test_what_is_no_sheet_is_answered_calmly_with_a_way_back(at_rest: Served) -> None:
    for path, status, says in (
        ("/nowhere", 404, "There is no such sheet."),
        ("/alarms/acknowledge", 405, "only takes what a form"),
        ("/probe/nobody", 404, "no probe called nobody"),
    ):
        answer = at_rest.get(path)
        assert (answer.status, says in answer.text) == (status, True), path
        assert 'class="big-link" href="/"' in answer.text
        assert "data-still" in answer.text
    large = at_rest.send("/alarms/acknowledge", b"key=" + b"x" * 20_000)
    assert large.status == 413
    assert "A form of up to 16 kB is taken." in large.text
    assert "big-link" in large.text
    strange = at_rest.get("/", Host="evil.example", Accept="text/html")
    assert strange.status == 421
    assert "<h1>Not under this name</h1>" in strange.text
    assert "127.0.0.1" not in strange.text
    assert "style-src 'sha256-" in strange.headers["Content-Security-Policy"]


def test_a_fault_of_ours_is_logged_and_answered_without_anything_of_the_inside(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    app = create_app(
        Source(tmp_path / "rig.toml"), host="localhost", access=Access(tmp_path / "rig.toml")
    )

    def broken(request: Request) -> None:
        raise ZeroDivisionError("the inside of it")

    app.router.routes.insert(0, Route("/broken", broken))
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_config=None, access_log=False))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        wait_for(lambda: server.started, what="the server")
        port = server.servers[0].sockets[0].getsockname()[1]
        connection = HTTPConnection("127.0.0.1", port, timeout=20)
        connection.request("GET", "/broken")
        answer = connection.getresponse()
        text = answer.read().decode()
        connection.close()
    finally:
        server.should_exit = True
        thread.join(20)
    assert answer.status == 500
    assert "This sheet could not be made" in text
    assert "Measuring goes on" in text
    assert "inside" not in text
    assert "Traceback" not in text
    assert answer.headers["Content-Security-Policy"].startswith("default-src 'self';")
    (logged,) = [record for record in caplog.records if record.exc_info]
    assert logged.exc_info is not None
    assert isinstance(logged.exc_info[1], ZeroDivisionError)


@pytest.mark.long
def test_an_open_page_says_since_when_nobody_answers_counts_on_and_comes_back(
    kept: Kept, browser: Browser
) -> None:
    context = browser.new_context(viewport={"width": 360, "height": 780})
    # A reader's clock that is wrong by a year changes nothing of what is said.
    context.add_init_script("const real = Date.now; Date.now = () => real() - 366 * 86400e3;")
    page = context.new_page()
    try:
        with serve(kept.rig_file) as served:
            address, port = served.address, int(served.address.rpartition(":")[2])
            page.goto(f"{address}/water")
            live = page.locator("[data-live]")
            expect(live).to_have_text("live")
            now = page.locator("main").get_attribute("data-now") or ""
            stop(served)
            expect(live).to_contain_text("not connected since", timeout=10_000)
            assert (live.locator("time").get_attribute("datetime") or "")[:13] >= now[:13]
            expect(page.locator("#announced")).to_contain_text("Not connected since")
            age = page.locator("[data-age]").first
            was = age.inner_text()
            expect(age).not_to_have_text(was, timeout=15_000)
            assert page.locator("main").evaluate("e => getComputedStyle(e).opacity") == "1"
            shot(page, "not-connected")
        kept.scan(now_ms())
        raised = change(OVERFILL, now_ms(), AlarmState.NORMAL, AlarmState.NEW, value=101.3)
        kept.writer.commit(Batch(changes=[raised]))
        with serve(kept.rig_file, port=port):
            expect(live).to_have_text("live", timeout=15_000)
            expect(page.locator("#sheet-list")).to_contain_text("1 stands", timeout=15_000)
            expect(page.locator("#announced")).to_have_text("New alarm: Overfill, catch tray")
    finally:
        context.close()
