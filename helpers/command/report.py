"""One page to keep: runs the error-budget workbook on a rig and writes its main results as a self-contained HTML file.

Called as ``python -m helpers.command.report [RIG]`` by ``python3 -m helpers report``.
"""

import argparse
import datetime
import html
import os
import sys
from pathlib import Path

import mistune
import nbformat

from helpers import rig as rigs
from helpers.command import processes, workbooks

WORKBOOK = Path(__file__).resolve().parent.parent.parent / "workbooks" / "10_error_budget.ipynb"
TAG = "report"  # cells with this tag make the report

_STYLE = """
@page { size: A4; margin: 14mm; }
body { font-family: sans-serif; font-size: 10.5pt; line-height: 1.35; color: #000; max-width: 180mm; margin: 1em auto; }
h1 { font-size: 16pt; margin: 0 0 0.2em; } h2 { font-size: 12.5pt; margin: 0.9em 0 0.2em; }
p { margin: 0.35em 0; } table { border-collapse: collapse; margin: 0.4em 0; }
th, td { border-bottom: 1px solid #aaa; padding: 0.1em 0.7em 0.1em 0; text-align: left; vertical-align: top; }
img { max-width: 100%; } details { display: none; } figure, table { break-inside: avoid; }
"""


class _Page(mistune.HTMLRenderer):
    """Markdown without addresses: of a link or a picture only the words stay, and HTML is shown as text."""

    def text(self, text):
        return html.escape(html.unescape(text), quote=False)  # what a cell has escaped already is not escaped twice

    def link(self, text, url, title=None):
        return text

    def image(self, text, url, title=None):
        return html.escape(text)


def markdown_to_html(text):
    """HTML of a cell's Markdown, tables included."""
    return mistune.create_markdown(renderer=_Page(escape=True), plugins=["table"])(text).strip()


def _output_html(output):
    data = output.get("data", {})
    if "image/png" in data:
        alt = html.escape(output["metadata"].get("image/png", {}).get("alt", ""))
        return (
            f'<figure style="margin:0"><img alt="{alt}" '
            f'src="data:image/png;base64,{data["image/png"].strip()}"></figure>'
        )
    if "text/markdown" in data:
        return markdown_to_html(data["text/markdown"])
    return data.get("text/html", "")


def _rig_html(rig):
    parts = []
    for item in rigs.form_fields(rig):
        value = {True: "yes", False: "no"}.get(item["value"], item["value"]) if item["choices"] else item["value"]
        value = f"{value:g}" if isinstance(value, float) else value
        section = item["section"].replace("_", " ")
        parts.append(f"{section}, {item['label']}: {value} {item['unit']}".strip())
    return f'<h2>The rig as given</h2><p style="font-size:8pt;columns:2">{"<br>".join(map(html.escape, parts))}</p>'


def page(workbook, rig, day):
    """The report of an executed workbook.

    Parameters
    ----------
    workbook : nbformat.NotebookNode
    rig : helpers.rig.Rig
    day : datetime.date

    Returns
    -------
    str
        A whole HTML page without scripts and without any address in it.
    """
    parts = []
    for cell in workbook["cells"]:
        if TAG not in cell["metadata"].get("tags", []):
            continue
        if cell["cell_type"] == "markdown":
            parts.append(markdown_to_html(cell["source"]))
        parts += [_output_html(output) for output in cell.get("outputs", [])]
    parts.append(_rig_html(rig))
    name = html.escape(rig.name)
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>Guiding report: {name}</title>'
        f"<style>{_STYLE}</style></head><body>\n<h1>Guiding report: {name}</h1>\n<p>{day.isoformat()}. Computed, "
        f"not measured.</p>\n" + "\n".join(part for part in parts if part) + "\n</body></html>\n"
    )


def write(rig_file, target, overwrite=False):
    """Run the workbook and write the report.

    Parameters
    ----------
    rig_file : Path or None
        The demo rig if None.
    target : Path
        File to write.
    overwrite : bool
        Whether a file that is there may be replaced.

    Raises
    ------
    FileExistsError
        `target` is there and may not be replaced.
    OSError
        The page can't be written.
    helpers.rig.RigError, FileNotFoundError
        The rig file is wrong; nothing has run.
    helpers.command.workbooks.WorkbookError
        The workbook failed on this rig.
    """
    if target.exists() and not overwrite:
        raise FileExistsError(f"{target.name} is there already: name another file with --output, or say --overwrite.")
    rig = rigs.demo_rig() if rig_file is None else rigs.load_rig(rig_file)
    os.environ[rigs.RIG_VARIABLE] = "demo" if rig_file is None else str(Path(rig_file).resolve())
    workbook = nbformat.read(WORKBOOK, as_version=4)
    workbook["cells"] = [cell for cell in workbook["cells"] if TAG in cell["metadata"].get("tags", [])]
    workbooks.run(workbook, WORKBOOK.parent)
    partial = target.with_name(target.name + ".partial")
    try:
        partial.write_text(
            page(workbook, rig, datetime.datetime.now().astimezone().date()), encoding="utf-8", newline="\n"
        )
        os.replace(partial, target)
    finally:
        partial.unlink(missing_ok=True)


def main(arguments=None):
    parser = argparse.ArgumentParser(
        prog="python3 -m helpers report", description="Write a report on a rig: one HTML page."
    )
    parser.add_argument("rig", nargs="?", type=Path, help="rig file (the demo rig if none)")
    parser.add_argument(
        "--output", type=Path, default=Path("report.html"), help="file to write (report.html if not given)"
    )
    parser.add_argument("--overwrite", action="store_true", help="replace a report that is there")
    options = parser.parse_args(arguments)
    print("Computing, less than a minute ...", flush=True)
    try:
        write(options.rig, options.output, options.overwrite)
    except (OSError, ValueError, TypeError, workbooks.WorkbookError) as error:
        print(f"No report was written. {error}", file=sys.stderr)
        return 1
    except RecursionError:
        print(f"No report was written. {options.rig}: values are nested too deep.", file=sys.stderr)
        return 1
    print(f"Written: {options.output}. Open it in a browser; it prints on two pages.")
    return 0


if __name__ == "__main__":
    sys.exit(processes.politely(main))
