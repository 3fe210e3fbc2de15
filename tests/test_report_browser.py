"""The report in a real browser (Chromium without a window): silence, paper, small screens, painted contrast."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path

import pypdfium2
import pytest
from practised import Day, practise
from test_report import FORM, NASTY, _picture, page

from rimward.live.rep_files import rep_file
from rimward.live.settings import load_settings

NAMES = ("chromium-headless-shell", "chromium", "chromium-browser", "google-chrome")
LIMIT_S = 120
"""For a browser that hangs."""


@pytest.fixture(scope="module")
def browser() -> str:
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    if found is None:
        pytest.skip(f"no browser here: none of {', '.join(NAMES)} is installed")
    return found


@pytest.fixture(scope="module")
def html(tmp_path_factory) -> str:
    """Everything that a report can hold: pictures, targets, notes, changes, a name that looks like markup."""
    form = FORM | {"follow_through_s": (0.35, 0.1)}
    days = [Day(15, 0, FORM, made=0.4), Day(15, 20, form, {"knee_min_deg": 14.0}, made=0.8, drill=NASTY)]
    store = practise(tmp_path_factory.mktemp("browser"), NASTY, days, load_settings().check_bands())
    player = store.edit_player(store.player(NASTY).id, pictures=True)
    store.set_target(player.id, "hold_s", 0.1, 0.2, name="short", author=NASTY)
    last = store.sessions()[-1].start.id
    store.add_note(last, NASTY, author=NASTY)
    for index in range(1, 16):
        path = rep_file(store.folder, last, index, "set", "jpg")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(_picture())
    written = page(store, NASTY)
    store.close()
    return written


def run(browser: str, file: Path, *options: str) -> tuple[str, list[str], list[str]]:
    """(standard output, lines of the page's console, addresses asked for over a network)."""
    log = file.with_suffix(".netlog.json")
    ran = subprocess.run(
        [
            browser,
            "--headless",
            "--no-sandbox",  # Chromium refuses to run as root otherwise, and the page is our own
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--hide-scrollbars",
            "--enable-logging=stderr",
            f"--user-data-dir={file.parent / 'profile'}",
            f"--log-net-log={log}",
            "--net-log-capture-mode=Everything",
            *options,
            file.as_uri(),
        ],
        capture_output=True,
        text=True,
        timeout=LIMIT_S,
        check=True,
    )
    console = [line for line in ran.stderr.splitlines() if "CONSOLE" in line]
    asked = re.findall(r'"url":"((?:https?|wss?|ftp)://[^"]+)"', log.read_text("utf-8", "replace"))
    return ran.stdout, console, asked


def written(folder: Path, html: str) -> Path:
    file = folder / "report.html"
    file.write_text(html, "utf-8")
    return file


def probed(html: str, script: str) -> str:
    """The page with its policy lifted and a script that leaves JSON in it."""
    html = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", html)
    probe = f"<script>const found = (() => {{{script}}})(); document.body.innerHTML = '<pre id=found></pre>';"
    probe += "document.getElementById('found').textContent = JSON.stringify(found);</script>"
    return html.replace("</body>", f"{probe}</body>")


def answer(dom: str) -> object:
    found = re.search(r'<pre id="found">(.*?)</pre>', dom, re.DOTALL)
    assert found is not None, dom[:500]
    return json.loads(found[1].replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&"))


def test_nothing_is_logged_and_nothing_is_fetched(browser, html, tmp_path):
    dom, console, asked = run(browser, written(tmp_path, html), "--dump-dom")
    assert "How to read this" in dom
    assert console == []
    assert asked == []


@pytest.mark.parametrize(
    "extra",
    [
        "<script>console.error('x')</script>",
        '<img alt="" src="http://localhost:9/x.png">',
        '<style>@import "http://localhost:9/x.css";</style>',
    ],
)
def test_the_policy_stops_what_does_not_belong_and_the_test_would_see_it(browser, html, tmp_path, extra):
    """Also shows that a logged line and a fetch would not go unnoticed above."""
    file = written(tmp_path, html.replace("</main>", f"{extra}</main>"))
    _, console, asked = run(browser, file, "--dump-dom")
    assert any("Content Security Policy" in line for line in console)
    assert asked == []
    file = written(tmp_path, re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", file.read_text("utf-8")))
    _, console, asked = run(browser, file, "--dump-dom")
    assert console or asked


@pytest.mark.parametrize(("paper", "size"), [("A4", (595, 842)), ("letter", (612, 792))])
def test_it_prints_on_few_pages_with_all_its_parts(browser, html, tmp_path, paper, size):
    file = written(tmp_path, html.replace("@page {", f"@page {{ size: {paper};"))
    pdf = tmp_path / "report.pdf"
    run(browser, file, "--no-pdf-header-footer", f"--print-to-pdf={pdf}")
    with pypdfium2.PdfDocument(pdf) as document:
        pages = [document[k] for k in range(len(document))]
        assert 2 <= len(pages) <= 5
        assert pages[0].get_size() == pytest.approx(size, abs=1.5)
        text = " ".join(one.get_textpage().get_text_range() for one in pages)
        first = pages[0].get_textpage().get_text_range()
    assert "In short" in first
    assert NASTY in " ".join(first.split())
    for heading in ("Form", "What changed", "Shots to look at", "All values", "What could not be seen"):
        assert heading in text


_WIDTHS = """
    const wide = [...document.querySelectorAll('body *')].filter(e =>
        !e.closest('.scroll, details, svg') && e.getBoundingClientRect().right > innerWidth + 1);
    const page = document.documentElement.scrollWidth;
    return {inner: innerWidth, page: page, wide: wide.map(e => e.outerHTML.slice(0, 80))};
"""


@pytest.mark.parametrize("width", [400, 1280])
def test_it_fits_a_telephone_and_a_desk(browser, html, tmp_path, width):
    dom, _, _ = run(browser, written(tmp_path, probed(html, _WIDTHS)), "--dump-dom", f"--window-size={width},900")
    found = answer(dom)
    assert found["inner"] == width
    assert found["page"] <= width
    assert found["wide"] == []


_CONTRAST = """
    document.querySelectorAll('details').forEach(d => d.open = true);
    const parse = c => (c.match(/[\\d.]+/g) || []).map(Number);
    const solid = c => c.length >= 3 && (c.length < 4 || c[3] === 1);
    const linear = v => v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4;
    const light = c => { const [r, g, b] = c.slice(0, 3).map(linear);
        return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
    const under = e => { for (; e; e = e.parentElement) { const c = parse(getComputedStyle(e).backgroundColor);
        if (solid(c)) return c; } return [255, 255, 255]; };
    const out = [];
    const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    for (let n = walk.nextNode(); n; n = walk.nextNode()) {
        const e = n.parentElement;
        if (!n.data.trim() || e.closest('script, style, title, desc')) continue;
        const style = getComputedStyle(e);
        const ink = parse(e.closest('svg') ? style.fill : style.color), ground = under(e);
        const [a, b] = [light(ink), light(ground)].sort((x, y) => y - x);
        out.push([(a + 0.05) / (b + 0.05), n.data.trim().slice(0, 30)]);
    }
    return out;
"""


def test_all_text_stands_out_from_its_ground(browser, html, tmp_path):
    """WCAG 2.1, 1.4.3: 4.5 to 1 for text of any size, from the colours that the browser computes."""
    dom, _, _ = run(browser, written(tmp_path, probed(html, _CONTRAST)), "--dump-dom")
    found = answer(dom)
    assert len(found) > 150
    assert [one for one in found if one[0] < 4.5] == []


def test_the_contrast_test_would_see_pale_text(browser, html, tmp_path):
    pale = html.replace("</main>", '<p style="color:#999;background:#fff">pale</p></main>')
    dom, _, _ = run(browser, written(tmp_path, probed(pale, _CONTRAST)), "--dump-dom")
    assert [text for ratio, text in answer(dom) if ratio < 4.5] == ["pale"]
