"""The report: one page without addresses, refused before it starts when something is wrong."""

import datetime
import re

import nbformat
import pytest

from helpers import rig as rigs
from helpers.command import report


def workbook():
    book = nbformat.read(report.WORKBOOK, as_version=4)
    assert any(report.TAG in cell["metadata"].get("tags", []) for cell in book["cells"])
    return book


def test_the_saved_workbook_makes_a_page_of_its_own():
    page = report.page(workbook(), rigs.demo_rig(), datetime.date(2026, 11, 7))
    assert "2026-11-07" in page
    assert "Guiding report: club rig" in page
    assert "logged rms, both axes" in page
    assert "What was assumed, and the sources" in page
    assert page.count("data:image/png;base64,") >= 1
    assert not re.search(r"https?:|//[a-z]+\.|<script|src=\"(?!data:)", page)
    assert all(re.findall(r'<img alt="([^"]*)"', page))
    assert "import sys" not in page
    assert "guide camera, read noise: 0.9 electron" in page


def test_markdown_of_the_cells():
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


def test_a_wrong_rig_is_refused_before_anything_runs(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(report.workbooks, "run", lambda *_: pytest.fail("must not run"))
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
    monkeypatch.setattr(report.workbooks, "run", lambda *_: None)
    monkeypatch.setenv(rigs.RIG_VARIABLE, "demo")
    target = tmp_path / "report.html"
    target.write_text("mine", encoding="utf-8")
    assert report.main(["--output", str(target)]) == 1
    assert "is there already" in capsys.readouterr().err
    assert target.read_text(encoding="utf-8") == "mine"
    assert report.main(["--output", str(target), "--overwrite"]) == 0
    assert "Guiding report" in target.read_text(encoding="utf-8")
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]


def test_a_page_that_cannot_be_written_is_told(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(report.workbooks, "run", lambda *_: None)
    monkeypatch.setenv(rigs.RIG_VARIABLE, "demo")
    assert report.main(["--output", str(tmp_path / "no" / "report.html")]) == 1
    assert "No such file or directory" in capsys.readouterr().err


def test_a_rig_nested_too_deep_is_told(tmp_path, capsys):
    rig = tmp_path / "rig.toml"
    rig.write_text("a = " + "[" * 5000 + "]" * 5000, encoding="utf-8")
    assert report.main([str(rig), "--output", str(tmp_path / "report.html")]) == 1
    told = capsys.readouterr().err
    assert told.startswith("No report was written.")
    assert "Traceback" not in told
