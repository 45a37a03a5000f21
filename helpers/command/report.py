"""Two pages to keep: what workbook 10 finds for a rig, and the numbers of the workbooks before it, as one HTML file.

Called as ``python -m helpers.command.report [RIG]`` by ``python3 -m helpers report``.
"""

import argparse
import datetime
import html
import os
import sys
from pathlib import Path

import mistune

from helpers import ledger as ledgers
from helpers import rig as rigs
from helpers.classroom import figures
from helpers.command import processes
from helpers.error_budget import drawings, questions
from helpers.guide_field import load_catalogue

_STYLE = """
@page { size: A4; margin: 12mm; }
body { font-family: sans-serif; font-size: 9pt; line-height: 1.3; color: #000; max-width: 186mm; margin: 0 auto; }
h1 { font-size: 15pt; margin: 0 0 0.2em; } h2 { font-size: 11.5pt; margin: 0.8em 0 0.2em; break-after: avoid; }
p, ul { margin: 0.3em 0; } ul { padding-left: 1.3em; } table { border-collapse: collapse; margin: 0.3em 0; }
th, td { border-bottom: 1px solid #aaa; padding: 0.1em 0.8em 0.1em 0; text-align: left; vertical-align: top; }
figure { margin: 0; } img { width: 135mm; } table, figure { break-inside: avoid; }
.rig { font-size: 6.5pt; columns: 3; } .demo { color: #595959; }
"""

_WORDS = """
- **arcsec**: a second of arc, 1/3600 of a degree. **rms**: the usual size of an error; *both axes* is 1.41 times one.
- **log**: what the guide camera measured. It holds air and noise that the mount never made; **pointing** is what
  the mount really did. **FWHM**: full width of a star at half of its greatest brightness.
- **air**: motion of the guide stars by the air, as the exposure averages it. **Centroid noise**: how badly the middle
  of a star is known. **Mount and its play**: what is left of periodic error and drift, and what the play of the gears
  adds.
- **corrections of air, of noise**: movements of the mount that answered what was no fault of the mount. **Fast
  shake**: too quick for the guide camera (wind, gears). **Flexure**: bending of a guide telescope against the main one.
- **G**: brightness of a star in magnitudes; a larger number is a fainter star. **Pick-off**: the small mirror that
  sends light beside the main camera to the guide camera. **Flip**: the mount turns over at the meridian.
- **narrower by, in 95 of 100 nights**: nights differ, and so does what a change gains; in 95 of 100 it lies in there.
"""

_SOURCES = """
Computed, not measured; for a target on the meridian, with stars as dense as star counts say. Spread of what is not
known (one standard deviation, choices of this project): seeing 15 %, outer scale 40 %, wind 35 %, periodic error 20 %,
polar alignment and fast shake 30 %. Left out: warm mirrors, tubes and roofs, cables, field rotation. Image motion:
Fried 1965, Tokovinin 2002. Centroid noise: Thompson, Larson and Webb 2002. Star counts: Gaia DR3. What each number
means and how it was checked: workbooks 00 to 10.
"""


class _Page(mistune.HTMLRenderer):
    """Markdown without addresses: of a link or a picture only the words stay, and HTML is shown as text."""

    def text(self, text):
        return html.escape(html.unescape(text), quote=False)  # what is escaped already is not escaped twice

    def link(self, text, url, title=None):
        return text

    def image(self, text, url, title=None):
        return html.escape(text)


def markdown_to_html(text):
    """HTML of our Markdown, tables included."""
    return mistune.create_markdown(renderer=_Page(escape=True), plugins=["table"])(text).strip()


def _table(head, rows):
    return markdown_to_html(figures.table(head, rows))


def _sentence(text):
    return f"<p>{html.escape(text)}</p>"


def _ledger(rig):
    rows = [
        (label, text, "yours" if own else "rests on the demo's values", f"workbook {room[:2]}")
        for label, text, own, room, _ in ledgers.strip_entries(ledgers.ledger(rig), "10_error_budget")
    ]
    return _table(("your numbers", "", "from", "explained in"), rows)


def _parts(rig):
    drawing = drawings.parts(rig)
    drawing.update(seeing=rig.site.seeing, exposure=rig.guiding.exposure, noise=rig.guide_camera.read_noise)
    address = figures.data_address(figures.png_of(drawing.figure)).decode("ascii")
    return f'<figure><img alt="{html.escape(drawing.alt)}" src="{address}"></figure>'


def _rig(rig):
    parts = []
    for item in rigs.form_fields(rig):
        value = {True: "yes", False: "no"}.get(item["value"], item["value"]) if item["choices"] else item["value"]
        value = f"{value:g}" if isinstance(value, float) else value
        section = item["section"].replace("_", " ")
        parts.append(f"{section}, {item['label']}: {value} {item['unit']}".strip())
    return f'<p class="rig">{"<br>".join(map(html.escape, parts))}</p>'


def page(rig, day, catalogue=None):
    """The report on a rig.

    Parameters
    ----------
    rig : helpers.rig.Rig
    day : datetime.date
    catalogue : Table, optional
        Star list about the next target, from `guide_field.load_catalogue`.

    Returns
    -------
    str
        A whole HTML page, two sheets of A4 when printed, without scripts and without any address in it.
    """
    name = html.escape(rig.name)
    parts = [
        f"<h1>Guiding report: {name}</h1>",
        f"<p>{day.isoformat()}. What this rig should log, how wide its stars should be, what to change next.</p>",
        f"<p><b>{html.escape(questions.own_number(rig))}</b></p>",
        f"<p><b>What next: {html.escape(questions.advice(rig))}</b></p>",
        "<h2>Your numbers so far</h2>",
        _ledger(rig),
        "<h2>What goes into the log, and into the star in the picture</h2>",
        _parts(rig),
        _table(*questions.table_of_numbers(rig)),
        "<h2>Exposure, gain, and stars</h2>",
        _sentence(questions.settings_in_words(rig)),
        _sentence(questions.stars_in_words(rig)),
        _sentence(f"On your list: {questions.angle_in_words(rig, catalogue)}") if catalogue is not None else "",
        _sentence(questions.list_of_stars(rig)),
        "<h2>What next?</h2>",
        _sentence("Each change alone, through the same nights, ranked by the star in the picture."),
        _table(*questions.table_of_options(rig)),
        _sentence(questions.not_told_in_words(rig).replace("*", "")),
        markdown_to_html(questions.list_of_not_told(rig)),
        "<h2>If a newer camera logs less than an older one</h2>",
        _sentence(questions.what_the_suspects_say(rig)),
        _table(*questions.table_of_runs(rig)),
        "<h2>Words</h2>",
        markdown_to_html(_WORDS),
        "<h2>What was assumed, and the sources</h2>",
        markdown_to_html(_SOURCES),
        "<h2>The rig as given</h2>",
        _rig(rig),
    ]
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>Guiding report: {name}</title>'
        f"<style>{_STYLE}</style></head><body>\n" + "\n".join(parts) + "\n</body></html>\n"
    )


def write(rig_file, target, overwrite=False, star_file=None):
    """Compute the report and write it.

    Parameters
    ----------
    rig_file : Path or None
        The demo rig if None.
    target : Path
        File to write.
    overwrite : bool
        Whether a file that is there may be replaced.
    star_file : Path, optional
        Star list about the next target: the angle to set is found from it.

    Raises
    ------
    FileExistsError
        `target` is there and may not be replaced.
    OSError
        The page can't be written; a folder, or a place that takes no file, is told before anything is computed.
    helpers.rig.RigError, FileNotFoundError
        The rig file is wrong; nothing has been computed.
    ValueError
        No prediction can be made for this rig, or the star list is wrong or does not reach far enough.
    """
    if target.is_dir():
        raise IsADirectoryError(
            f"{target}: expected the name of a file, found a folder; say for example {target / 'report.html'}."
        )
    if target.exists() and not overwrite:
        raise FileExistsError(f"{target.name} is there already: name another file with --output, or say --overwrite.")
    rig = rigs.demo_rig() if rig_file is None else rigs.load_rig(rig_file)
    more = () if star_file is None else (load_catalogue(star_file),)
    partial = target.with_name(target.name + ".partial")
    try:
        partial.touch()  # a place that can't be written is told before a minute of computing
        written = page(rig, datetime.datetime.now().astimezone().date(), *more)
        partial.write_text(written, encoding="utf-8", newline="\n")
        os.replace(partial, target)
    finally:
        partial.unlink(missing_ok=True)


def main(arguments=None):
    parser = argparse.ArgumentParser(
        prog="python3 -m helpers report", description="Write a report on a rig: one HTML page, two sheets of A4."
    )
    parser.add_argument("rig", nargs="?", type=Path, help="rig file (the demo rig if none)")
    parser.add_argument(
        "--output", type=Path, default=Path("report.html"), help="file to write (report.html if not given)"
    )
    parser.add_argument("--stars", type=Path, help="star list about the next target, for the angle to set")
    parser.add_argument("--overwrite", action="store_true", help="replace a report that is there")
    options = parser.parse_args(arguments)
    print("Computing, less than a minute ...", flush=True)
    try:
        write(options.rig, options.output, options.overwrite, options.stars)
    except (OSError, ValueError, TypeError) as error:
        print(f"No report was written. {error}", file=sys.stderr)
        return 1
    except RecursionError:
        print(f"No report was written. {options.rig}: values are nested too deep.", file=sys.stderr)
        return 1
    print(f"Written: {options.output}. Open it in a browser; it prints on two sheets of A4.")
    return 0


if __name__ == "__main__":
    sys.exit(processes.politely(main))
