"""The report in a real browser: nothing to scroll sideways on a phone, and nothing runs in it.

Needs Chromium (`chromium`, `chromium-browser` or `google-chrome` on the PATH). Without it the tests skip and say
so; with HILTEST_REQUIRE_BROWSER=1 they fail instead.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from hiltest.evidence.model import RunRecord
from hiltest.evidence.report import render
from tests.evidence.records import accepted, description, hostile, incomplete, rejected

PROGRAMS = ("chromium", "chromium-browser", "google-chrome")
QUIET = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--virtual-time-budget=4000",
]

# A headless window can't be made as narrow as a phone, so the page is looked at inside a frame that is.
# Chromium lets no file read another file's frame; srcdoc has the origin of the page around it.
FRAME = """<!doctype html><meta charset="utf-8"><body style="margin:0">
<iframe id="phone" style="border:0;width:{width}px;height:800px" srcdoc="{page}"></iframe><p id="answer">waiting</p>
<script>
const phone = document.getElementById("phone");
function measure() {{
  const page = phone.contentDocument, root = page.documentElement;
  const wide = [...page.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > {width} + 0.5)
    .filter(e => !e.closest("thead")).map(e => e.tagName + "." + (e.getAttribute("class") || ""));
  document.getElementById("answer").textContent = "scroll=" + root.scrollWidth + " width=" + root.clientWidth
    + " ran=" + Boolean(phone.contentWindow.ran) + " title=" + page.title.length + " wide=" + wide.slice(0, 5);
}}
phone.onload = measure;
</script>"""


@pytest.fixture(scope="module")
def browser() -> str:
    """Path of the browser's program."""
    for name in PROGRAMS:
        if path := shutil.which(name):
            return path
    text = f"no browser: none of {', '.join(PROGRAMS)} is on the PATH, so nobody looked at the report"
    if os.environ.get("HILTEST_REQUIRE_BROWSER") == "1":
        pytest.fail(text)
    pytest.skip(text)


def dump_dom(browser: str, page: Path, profile: Path) -> str:
    """Return the page as the browser has it after loading."""
    command = [browser, *QUIET, f"--user-data-dir={profile}", "--window-size=1300,1000", "--dump-dom"]
    done = subprocess.run([*command, page.as_uri()], capture_output=True, text=True, timeout=120, check=True)
    return done.stdout


@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize("make", [accepted, rejected, incomplete, hostile])
def test_no_part_of_the_page_is_wider_than_the_screen(
    make: Callable[[], RunRecord], width: int, browser: str, tmp_path: Path
) -> None:
    """Neither on a phone nor on a desk must the page be scrolled sideways; hostile text runs nothing."""
    text = render(make(), description()).replace("alert(1)", "window.ran=1")
    page = tmp_path / "frame.html"
    page.write_text(
        FRAME.format(width=width, page=text.replace("&", "&amp;").replace('"', "&quot;")), encoding="utf-8"
    )
    dom = dump_dom(browser, page, tmp_path / "profile")

    answer = re.search(r'<p id="answer">(.*?)</p>', dom)
    assert answer is not None
    found = dict(part.split("=", 1) for part in answer.group(1).split(" "))
    assert int(found["title"]) > 0, "the page was not loaded into the frame"
    assert found["ran"] == "false"
    assert found["wide"] == ""
    assert int(found["scroll"]) <= width


def test_the_browser_finds_nothing_to_repair(browser: str, tmp_path: Path) -> None:
    """The browser's tree has as many elements of each kind as the file, so it repaired nothing."""
    text = render(rejected(), description())
    page = tmp_path / "report.html"
    page.write_text(text, encoding="utf-8")
    dom = dump_dom(browser, page, tmp_path / "profile")

    for tag in ("section", "article", "table", "tr", "td", "th", "svg", "li", "p", "figure", "script", "img"):
        pattern = rf"<{tag}[\s>]"
        assert len(re.findall(pattern, dom)) == len(re.findall(pattern, text)), tag
