"""Markup in the names of a rig, its cameras, columns, files and cards is shown as text wherever it comes to a page."""

import datetime

import nbformat
import pytest

from helpers import rig as rigs
from helpers.command import report
from tests.hostile.markup import MARKUP, assert_nothing_ran, marked_rig, write_marked_files

SHOWN = """
import sys; sys.path.insert(0, "..")
from pathlib import Path
from helpers import night_comparison, rig as rigs
from helpers.camera_check.files import sort_frames
from helpers.classroom import figures, forms
from helpers.guide_field import load_catalogue
from helpers.night_comparison import questions
rig = rigs.working_rig()
def told(function, *arguments):
    try:
        return str(function(*arguments))
    except ValueError as error:
        return str(error)
files = {kind: next(Path().glob("*%s.%s" % pair)) for kind, pair in
         {"log": ("log", "csv"), "stars": ("stars", "csv"), "frame": ("frame", "fits")}.items()}
refusals = [told(load_catalogue, files["stars"]), told(night_comparison.load_log, files["log"]),
            told(sort_frames, [files["frame"]])]
figures.say("**{name}** {column} {refusal}", name=rig.name, column=rigs.describe(rig), refusal=" ".join(refusals))
forms.form(night_comparison.log_fields(files["log"]), lambda answers: "\\n".join(refusals), button="Tell me")
"""


@pytest.fixture
def marked(lab):
    """A folder of its own in JupyterLab in which all names are markup."""
    reader = lab.copy_project("marked")
    folder = reader / "workbooks"
    paths = write_marked_files(folder)
    paths["rig"].rename(folder / rigs.SAVED_RIG)
    cells = [nbformat.v4.new_code_cell(SHOWN)]
    kernel = {"kernelspec": {"display_name": "Python 3 (ipykernel)", "language": "python", "name": "python3"}}
    nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata=kernel), folder / "shown.ipynb")
    return "marked/workbooks"


@pytest.mark.long
def test_names_of_files_columns_and_cards_are_text_in_a_workbook(marked, open_workbook):
    workbook = open_workbook(f"{marked}/shown.ipynb")
    workbook.run_all()
    for cell in workbook.cells():
        assert all(output.output_type != "error" for output in cell.outputs), cell.outputs
    workbook.page.get_by_role("button", name="Tell me").click()
    workbook.page.get_by_text(MARKUP).nth(2).wait_for()
    assert_nothing_ran(workbook.page)


@pytest.mark.parametrize("name", ["00_your_rig", "02_starlight"])
@pytest.mark.long
def test_names_of_the_rig_are_text_in_the_rooms(marked, open_workbook, name):
    workbook = open_workbook(f"{marked}/{name}.ipynb")
    workbook.run_all()
    workbook.page.get_by_text(MARKUP).first.wait_for()
    assert_nothing_ran(workbook.page)


@pytest.mark.long
def test_names_of_the_rig_are_text_in_the_report(browser):
    page = browser.new_page()
    page.set_content(report.page(marked_rig(), datetime.date(2026, 11, 7)))
    assert MARKUP in page.inner_text("h1")
    assert_nothing_ran(page)
    page.close()


def test_markup_is_found_where_it_is_not_escaped(browser):
    page = browser.new_page()
    page.set_content(f"<p>{MARKUP}</p>")
    with pytest.raises(AssertionError):
        assert_nothing_ran(page)
    page.close()
