"""`test`: every test in its part, and one summary."""

import shutil
import tempfile
import time
from pathlib import Path
from xml.etree import ElementTree

from helpers.command import environment, processes

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
# Left out by `--quick`: what plays workbooks, draws panels, starts servers and environments, simulates nights and
# frames, or reads all files of the project; and of the other files the tests that draw their calls at random.
LONG = (
    "tests/hostile",
    "tests/workbooks",
    "tests/test_camera_check.py",
    "tests/test_centroids.py",
    "tests/test_classroom.py",
    "tests/test_command_line.py",
    "tests/test_diagnosis.py",
    "tests/test_environment.py",
    "tests/test_error_budget.py",
    "tests/test_guide_field.py",
    "tests/test_guide_frames.py",
    "tests/test_guide_night.py",
    "tests/test_house.py",
    "tests/test_ledger.py",
    "tests/test_loop_settings.py",
    "tests/test_multi_star.py",
    "tests/test_night_comparison.py",
    "tests/test_night_recipe.py",
    "tests/test_own_frames.py",
    "tests/test_pages.py",
    "tests/test_report.py",
    "tests/test_show.py",
)
DRAWN = "test_any"
_PLAIN = ["-p", "no:nbval"]  # only the workbooks need that plugin, which takes seconds to load in each process
_NO_TEST_RAN = 5  # pytest's exit status when nothing was collected


def find_browser():
    """Path of a browser that the tests can drive, or None."""
    return next((path for path in map(shutil.which, BROWSERS) if path), None)


def parts_of_tests(pytest_options, quick=False, slow=False, exact=False):
    """Name and pytest arguments of each part of the tests.

    Printed numbers of the workbooks may differ in a last digit between processors and versions, so they are compared to
    the letter (`exact`) only where the workbooks were saved; elsewhere every cell must run without an error.
    """
    two_workers = ["-n", "2", "--dist", "loadscope"]
    quiet = ["-q", "-rs", "--color=auto", *pytest_options]
    chosen = [] if slow else ["-m", "not slow and not long"]
    parts = {"helpers": ["tests", "--ignore=tests/browser", "-n", "2", "--dist", "worksteal", *_PLAIN, *chosen]}
    if quick:
        parts["helpers"] += [*(f"--ignore={path}" for path in LONG), "-k", f"not {DRAWN}"]
    else:
        parts["workbooks"] = [
            "workbooks",
            "--nbval" if exact else "--nbval-lax",
            "--nbval-current-env",
            "--nbval-cell-timeout=300",
        ]
        parts["workbooks"] += two_workers
        parts["browser"] = ["tests/browser", *_PLAIN, *chosen]
    return {name: [*arguments, *quiet] for name, arguments in parts.items()}


def count_results(report):
    """Passed, failed and skipped tests in a JUnit XML file; None if there is no such file."""
    try:
        suites = ElementTree.parse(report).getroot().iter("testsuite")
    except (OSError, ElementTree.ParseError):
        return None
    passed = failed = skipped = 0
    for suite in suites:
        broken = int(suite.get("failures")) + int(suite.get("errors"))
        failed += broken
        skipped += int(suite.get("skipped"))
        passed += int(suite.get("tests")) - broken - int(suite.get("skipped"))
    return passed, failed, skipped


def _browser_variables(variables):
    browser = variables.get("GUIDING_BROWSER") or find_browser()
    if browser:
        return {"GUIDING_BROWSER": browser}
    if variables.get("BROWSER_TESTS") != "required":
        print("No Chromium or Chrome found: the browser tests will be skipped.", flush=True)
    return {}


def run(options):
    """Run the parts one after the other; 0 only if all went well and something ran."""
    python = environment.prepare("checks")
    variables = processes.fixed_surroundings()
    if not options.quick:
        variables.update(_browser_variables(variables))
    total, all_well, lines = [0, 0, 0], True, []
    with tempfile.TemporaryDirectory() as folder:
        for name, arguments in parts_of_tests(options.pytest, options.quick, options.slow, options.exact).items():
            print(f"\n=== {name} ===", flush=True)
            began = time.monotonic()
            report = Path(folder, f"{name}.xml")
            status = processes.run([str(python), "-m", "pytest", *arguments, f"--junitxml={report}"], variables)
            # Nothing to run is a fault, unless the options chose some tests only.
            well = status == 0 or (status == _NO_TEST_RAN and bool(options.pytest))
            all_well = all_well and well
            counts = count_results(report) or (0, 0, 0)
            total = [a + b for a, b in zip(total, counts)]
            verdict = "well" if well else f"NOT WELL (pytest ended with {status})"
            seconds = time.monotonic() - began
            lines.append("{:10} {:>5} passed {:>4} failed {:>4} skipped".format(name, *counts))
            lines[-1] += f" {seconds:>6.0f} s   {verdict}"
    print("\n=== summary ===", *lines, sep="\n")
    if not options.slow:
        print("Long tests and statistical studies were left out; --slow runs them too.")
    print("{} passed, {} failed, {} skipped".format(*total))
    return 0 if all_well and total[0] else 1
