"""Every exercise of every workbook: right answers pass, typical wrong ones are told what to reconsider, none says "not
yet"; and every panel.
"""

import inspect
import json
import sys
from pathlib import Path

import astropy.units as u
import pytest

from helpers.classroom import exercises, memory, sliders
from helpers.classroom.ahead import one_step

FOLDER = Path(__file__).resolve().parent.parent.parent / "workbooks"
WORKBOOKS = sorted(FOLDER.glob("*.ipynb"))
NOT_YET, WRONG, RIGHT = exercises.NOT_YET, exercises.WRONG, exercises.RIGHT


class Exercise:
    """One call of a check: `ask(answer)` gives its outcome for another answer."""

    def __init__(self, check, called_with):
        self._check, self._called_with = check, called_with
        self.outcome = self.ask(called_with["answer"])

    def ask(self, answer):
        return self._check(**{**self._called_with, "answer": answer})

    def __getattr__(self, name):
        return self._called_with[name]


def run_cells(path):
    """Run a workbook's code cells in this process and return its exercises, the files it left behind, its panels and
    boxes.
    """
    memory.forget()  # the same workbook may have run here before
    found, panels, boxes, before = [], [], [], set(FOLDER.iterdir())
    make_panel, make_box = sliders.panel, exercises.box

    def remember_box(question):
        boxes.append(make_box(question))
        return boxes[-1]

    def remember(*arguments, **keywords):
        panels.append(make_panel(*arguments, **keywords))
        return panels[-1]

    def recorder(check):
        def record(*arguments, **keywords):
            bound = inspect.signature(check).bind(*arguments, **keywords)
            bound.apply_defaults()
            found.append(Exercise(check, bound.arguments))
            return found[-1].outcome

        return record

    namespace = {"__name__": "__main__", "display": lambda *shown, **options: None}
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(path.parent)
        patch.setenv("GUIDING_RIG_FILE", "demo")
        patch.setattr(sys, "path", list(sys.path))
        patch.setattr(sliders, "panel", remember)
        patch.setattr(exercises, "box", remember_box)
        for name in ("check_number", "check_choice"):
            patch.setattr(exercises, name, recorder(getattr(exercises, name)))
        for number, cell in enumerate(cells, start=1):
            if cell["cell_type"] == "code":
                code = compile("".join(cell["source"]), f"{path.stem} cell {number}", "exec")
                exec(code, namespace)  # noqa: S102 - our own workbooks
    return (
        found,
        {file.name for file in set(FOLDER.iterdir()) - before if file.suffix not in (".ipynb", ".partial")},
        panels,
        boxes,
    )


QUICK = ("00_your_rig", "11_planetary")


@pytest.fixture(
    scope="module",
    params=[path if path.stem in QUICK else pytest.param(path, marks=pytest.mark.long) for path in WORKBOOKS],
    ids=lambda path: path.stem,
)
def played(request):
    return run_cells(request.param)


@pytest.fixture
def numbers(played):
    return [exercise for exercise in played[0] if "unit" in exercise._called_with]


@pytest.fixture
def choices(played):
    return [exercise for exercise in played[0] if "options" in exercise._called_with]


def plain(exercise, value):
    """A value as a number in the unit of the exercise."""
    return value.to_value(exercise.unit or "") if isinstance(value, u.Quantity) else float(value)


def test_there_are_at_least_three_and_none_is_answered_yet(played):
    assert len(played[0]) + len(played[3]) >= 3
    assert all(box.outcome.state == NOT_YET for box in played[3])
    for exercise in played[0]:
        assert exercise.outcome.state == NOT_YET
        assert exercise.ask(None).state == NOT_YET
        assert exercise.ask(...).state == NOT_YET


def test_each_has_a_hint_a_solution_and_something_to_reconsider(played):
    for exercise in played[0]:
        assert exercise.hint.strip()
        assert exercise.solution.strip()
        assert exercise.reconsider


def test_right_numbers_pass_in_every_form(numbers):
    for exercise in numbers:
        value = plain(exercise, exercise.right)
        unit = u.Unit(exercise.unit or "")
        for answer in (exercise.right, value, value * unit, f"{value} {unit}"):
            assert exercise.ask(answer).state == RIGHT, answer


def test_typical_wrong_numbers_are_told_what_to_reconsider(numbers):
    for exercise in numbers:
        for value, message in exercise.reconsider:
            outcome = exercise.ask(value)
            assert (outcome.state, outcome.message) == (WRONG, message)
            assert exercise.ask(plain(exercise, value)).message == message


def test_other_numbers_are_refused(numbers):
    for exercise in numbers:
        value = plain(exercise, exercise.right)
        margin = exercise.absolute if exercise.percent is None else abs(value) * exercise.percent / 100
        assert margin > 0
        for answer in (value + 1.01 * margin, value - 1.01 * margin, 7.3 * value + 11 * margin, float("nan"), "many"):
            outcome = exercise.ask(answer)
            assert outcome.state == WRONG, answer
            assert outcome.message
        assert exercise.ask(3 * u.kg).state == WRONG


def test_right_choices_pass_and_all_others_are_refused(choices):
    for exercise in choices:
        assert exercise.ask(exercise.right).state == RIGHT
        assert exercise.ask(f" {exercise.right.upper()} ").state == RIGHT
        for key in set(exercise.options) - {exercise.right}:
            outcome = exercise.ask(key)
            assert outcome.state == WRONG
            assert outcome.message == exercise.reconsider.get(key, outcome.message)
        assert exercise.ask("none of these").state == WRONG


def test_every_panel_of_a_workbook_with_boxes_is_opened_by_a_guess(played):
    for panel in played[2] if played[3] else []:
        assert panel.asked is not None
        assert all(control.disabled for control in panel._inputs.values())
        panel.asked.skip()
        assert not any(control.disabled for control in panel._inputs.values())


def test_running_a_workbook_leaves_no_files_behind(played):
    assert played[1] == set()


@pytest.mark.long
def test_a_picture_drawn_ahead_is_the_one_that_comes_when_the_reader_gets_there(played):
    for panel in played[2]:
        if panel.asked is not None:
            panel._cover(False)  # as by a guess, which the panel would remember
        start = panel.png
        for number, (name, control) in enumerate(panel._inputs.items()):
            for direction in (1, -1):
                value = one_step(control, direction)
                if value is None:
                    continue
                drawn = panel._draw_ahead(number, direction)
                panel.set(**{name: value})
                assert (drawn is None) == panel.failed
                if drawn is not None:
                    assert drawn[1:] == (panel._image.value, panel._readout.value), (name, value)
                panel.reset()
                assert panel.png == start, (name, value)
        if panel.asked is not None:
            panel._cover(True)
