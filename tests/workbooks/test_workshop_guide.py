"""The guide for leaders of workshops, held against the workbooks: their times, their controls, and its own sums."""

import html
import json
import re
from pathlib import Path

import pytest

FOLDER = Path(__file__).resolve().parent.parent.parent / "workbooks"
GUIDE = (FOLDER / "workshop_guide.md").read_text(encoding="utf-8")
WORKBOOKS = {path.name[:2]: json.loads(path.read_text(encoding="utf-8")) for path in FOLDER.glob("[0-9]*.ipynb")}
NEAR = 4  # minutes by which a plan may differ from twice what one reader needs


def shown(number):
    """All that a workbook holds and shows, as text."""
    parts = ["".join(cell["source"]) for cell in WORKBOOKS[number]["cells"]]
    for cell in WORKBOOKS[number]["cells"]:
        for output in cell.get("outputs", ()):
            parts += ["".join(text) for kind, text in output.get("data", {}).items() if kind.startswith("text/")]
    return html.unescape("\n".join(parts))


def minutes_of(number):
    """Minutes to the answer, and with all that is folded, as the saved workbook states them."""
    found = re.search(r"about (\d+) minutes to the answer; about (\d+) with all", shown(number))
    return int(found[1]), int(found[2])


def section(title):
    return GUIDE[GUIDE.index(f"## {title}") :].split("\n## ")[0]


def plan_of(title):
    """Start, length (both in minutes) and text of each row with both; a second day starts 24 hours later."""
    rows, days, plan = re.findall(r"\| ([A-Z]\w+day )?(\d+):(\d\d) \| (\d+) \| (.*)", section(title)), 0, []
    for day, hour, minute, length, text in rows:
        days += bool(day)
        plan.append((60 * (int(hour) + 24 * max(days - 1, 0)) + int(minute), int(length), text))
    return plan


@pytest.mark.parametrize(
    ("title", "kind", "last"), [("The two-hour plan", 0, "2:00"), ("The weekend plan", 1, "17:00")]
)
def test_a_plan_takes_twice_a_readers_time_and_its_minutes_add_up(title, kind, last):
    plan = plan_of(title)
    for start, length, text in plan:
        number = re.match(r"`(\d\d)_", text)
        if number:
            assert abs(length - 2 * minutes_of(number[1])[kind]) <= NEAR, text
        pause = re.search(r"(?:break|lunch) (\d+)", text)
        following = [other[0] for other in plan if other[0] > start]
        ends = re.search(r"ends (\d+):(\d\d)", text)
        over = start + length + (int(pause[1]) if pause else 0)
        if ends:
            assert over % (24 * 60) == 60 * int(ends[1]) + int(ends[2]), text
        elif following:
            assert over == min(following), text
    hours, minutes = (int(part) for part in last.split(":"))
    assert (plan[-1][0] + plan[-1][1]) % (24 * 60) == 60 * hours + minutes


def test_the_range_of_times_holds_every_workbook():
    said = re.search(r"(\d+) to (\d+) minutes to the answer, (\d+) to (\d+) with all", GUIDE)
    least, most, low, high = map(int, said.groups())
    for number in WORKBOOKS:
        core, whole = minutes_of(number)
        assert least - 1 <= core <= most + 1 and low - 2 <= whole <= high + 2, number


def test_every_control_that_is_named_is_there():
    parts = section("Panel by panel").split("\n### ")[1:]
    assert [part[:2] for part in parts] == sorted(WORKBOOKS)
    for part in parts:
        there = shown(part[:2])
        for label in re.findall(r"\*([^*]+)\*", part):
            assert label in there, (part[:2], label)
