"""The report: two sheets of A4 without addresses, refused before it starts when something is wrong."""

import datetime
import re
from pathlib import Path

import astropy.units as u
import numpy as np
import pytest

from helpers import rig as rigs
from helpers.command import report
from helpers.error_budget import questions
from helpers.guide_field import load_catalogue
from tests.three_rigs import REFRACTOR

CHROMIUM = Path("/usr/bin/chromium")
DAY = datetime.date(2026, 11, 7)
RIGS = {
    "club": rigs.demo_rig(),
    "starter": rigs.demo_rig("starter"),
    "refractor": rigs.changed(REFRACTOR, {"name": "<b>refractor</b> & https://a.b"}),
}


@pytest.fixture(
    scope="module",
    params=[pytest.param(name, marks=pytest.mark.long) for name in RIGS],
    ids=str,
)
def written(request):
    return report.page(RIGS[request.param], DAY), RIGS[request.param]


def test_a_page_of_its_own_with_all_its_parts(written):
    page, _ = written
    assert "2026-11-07" in page
    for part in ("Your numbers so far", "What goes into the log", "Exposure, gain, and stars", "What next?"):
        assert f">{part}" in page
    for part in ("If a newer camera logs less", "Words", "What was assumed, and the sources", "The rig as given"):
        assert f">{part}" in page
    assert "logged rms: what the guide camera measured" in page
    assert page.count("data:image/png;base64,") == 1
    assert not re.search(r"<script|src=\"(?!data:)|href", page)
    assert all(re.findall(r'<img alt="([^"]*)"', page))
    words = re.sub(r"base64,[\w+/=]*", "", page)
    assert "import sys" not in words and "Guess first" not in words and "nan" not in words
    assert "guide camera, read noise: 0.9 electron" in page


def test_names_are_shown_as_they_are(written):
    page, rig = written
    if "<" in rig.name:
        assert "<b>refractor</b>" not in page
        assert "&lt;b&gt;refractor&lt;/b&gt; &amp; https://a.b" in page


def test_the_stars_used_are_listed(written):
    page, rig = written
    budget = questions.mine(rig)
    assert questions.list_of_stars(rig) in page
    listed = re.findall(r"([\d.]+) \((0\.\d{3})\)", questions.list_of_stars(rig))
    assert [float(magnitude) for magnitude, _ in listed] == pytest.approx(list(budget.magnitudes), abs=0.051)
    # the mean of stars weighted by how well each is known: from the definition
    noise = np.sum([float(error) ** -2 for _, error in listed]) ** -0.5
    assert noise == pytest.approx(budget.centroid_error.to_value(u.arcsec), rel=0.03)


def test_a_star_list_gives_the_angle_to_set():
    stars = load_catalogue(Path(__file__).parent.parent / "demo_data" / "field_surroundings.ecsv")
    said = questions.angle_in_words(RIGS["club"], stars)
    before, after = map(int, re.search(r"(\d+) usable stars? before the flip and (\d+) after", said).groups())
    best = re.search(r"at least (\d+) on both sides", said)
    assert (int(best.group(1)) > min(before, after)) if best else "No other angle" in said


def test_changes_without_effect_share_a_line(written):
    page, _ = written
    rows = re.findall(r"<tr>\s*<td>(\d+)</td>\s*<td>(.*?)</td>\s*<td>(.*?)</td>", page, re.DOTALL)
    assert sum("no change that can be told" in row[2] for row in rows) <= 1
    assert any("nothing" in row[1] for row in rows)


@pytest.mark.skipif(not CHROMIUM.exists(), reason="Chromium prints the page")
@pytest.mark.long
def test_it_prints_on_two_sheets_of_a4(written, tmp_path):
    sync_api = pytest.importorskip("playwright.sync_api")
    page, _ = written
    path = tmp_path / "report.html"
    path.write_text(page, encoding="utf-8")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        tab = browser.new_page()
        tab.goto(path.as_uri())
        printed = tab.pdf(prefer_css_page_size=True)
        browser.close()
    # each sheet of a PDF is an object of type Page (ISO 32000-1, 7.7.3.3)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", printed)) == 2
    width, height = map(float, re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", printed).groups())
    assert (width, height) == pytest.approx((595.3, 841.9), abs=1.5)  # A4 in points, ISO 216


def test_markdown_of_ours():
    page = report.markdown_to_html(
        "## Head\ntext *a* **b** <c> &lt;d\n\n| x | y |\n| --- | --- |\n| 1 | 2 |\n\n- one\n- two\n\n"
        "[words](https://a.b) ![picture](https://a.b/c.png) <img src=x onerror=y>"
    )
    assert "<h2>Head</h2>" in page
    assert "<em>a</em> <strong>b</strong> &lt;c&gt; &lt;d" in page
    assert "<th>x</th>" in page
    assert "<td>2</td>" in page
    assert page.count("<li>") == 2
    assert "words picture &lt;img" in page
    assert "a.b" not in page


def test_a_wrong_rig_is_refused_before_anything_is_computed(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(report, "page", lambda *_: pytest.fail("must not compute"))
    rig = tmp_path / "rig.toml"
    rigs.save_rig(rigs.demo_rig(), rig)
    rig.write_text(rig.read_text(encoding="utf-8").replace('"2.5 arcsec"', '"2.5 s"'), encoding="utf-8")
    target = tmp_path / "report.html"
    assert report.main([str(rig), "--output", str(target)]) == 1
    assert "site.seeing: expected a unit such as arcsec, found 's'" in capsys.readouterr().err
    assert report.main([str(tmp_path / "none.toml"), "--output", str(target)]) == 1
    assert "none.toml" in capsys.readouterr().err
    assert not target.exists()


def test_a_report_that_is_there_is_kept_unless_told(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(report, "page", lambda rig, day: f"Guiding report: {rig.name}")
    target = tmp_path / "report.html"
    target.write_text("mine", encoding="utf-8")
    assert report.main(["--output", str(target)]) == 1
    assert "is there already" in capsys.readouterr().err
    assert target.read_text(encoding="utf-8") == "mine"
    assert report.main(["--output", str(target), "--overwrite"]) == 0
    assert "Guiding report" in target.read_text(encoding="utf-8")
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]


def test_a_page_that_cannot_be_written_is_told(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(report, "page", lambda *_: "page")
    assert report.main(["--output", str(tmp_path / "no" / "report.html")]) == 1
    assert "No such file or directory" in capsys.readouterr().err


def test_a_rig_nested_too_deep_is_told(tmp_path, capsys):
    rig = tmp_path / "rig.toml"
    rig.write_text("a = " + "[" * 5000 + "]" * 5000, encoding="utf-8")
    assert report.main([str(rig), "--output", str(tmp_path / "report.html")]) == 1
    told = capsys.readouterr().err
    assert told.startswith("No report was written.")
    assert "Traceback" not in told
