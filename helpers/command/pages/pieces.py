"""HTML of each piece of a workbook: what the script of the pages brings to life, and what can be read without it."""

import base64
import html
import itertools
import json

import numpy as np

from helpers.classroom import exercises, figures, forms, guesses, ledger_strip, sliders
from helpers.classroom.stills import stills
from helpers.classroom.text import folded
from helpers.command.pages import strips, words
from helpers.command.workbooks import WIDGET_VIEW

_LIVE = (
    "Here one slider moves at a time, in steps, and the others go back to their start values; choices stay. "
    "The live workbook moves all together, in fine steps, with the numbers of your own rig."
)
_FORM = "This needs the live workbook, which calculates with what you enter."


def escaped(text):
    """Plain text for HTML, in an attribute too."""
    return html.escape(str(text), quote=True)


def data(values):
    """Plain values for the script of the page, inside HTML: nothing in them can end the element or begin another."""
    text = json.dumps(values, ensure_ascii=False, separators=(",", ":"))
    for letter in "<>&\u2028\u2029":
        text = text.replace(letter, f"\\u{ord(letter):04x}")
    return f'<script type="application/json">{text}</script>'


class Pieces:
    """Makes the HTML of one workbook; pictures go through `save`.

    Parameters
    ----------
    rooms : collection of str
        Workbooks that have a page.
    save : function
        Called with a file name and its bytes.
    pictures : int
        Of one panel, at most about so many.
    """

    def __init__(self, rooms, save, pictures):
        self._rooms, self._save, self._pictures, self._count = rooms, save, pictures, itertools.count(1)
        self.cover = None  # name and alternative text of the first picture

    def html_of(self, cell):
        """HTML of a cell that has run."""
        if cell.text:
            return words.markdown_to_html(cell.text, self._rooms)
        made = {
            sliders.Panel: self._panel,
            guesses.Asked: lambda asked: self._guess(asked.guess, alone=True),
            exercises.Box: lambda box: self._exercise(box.question),
            figures.Shown: self._figure,
        }
        if type(cell.value) in made:
            return made[type(cell.value)](cell.value)
        shown = "\n".join(self._output(*output) for output in cell.outputs)
        if isinstance(cell.value, forms.Form | forms.FilePicker):
            return f'<section class="piece form">{shown}<p class="note">{_FORM}</p></section>'
        if isinstance(cell.value, ledger_strip.Strip):
            return f'<nav class="ledger" aria-label="Your numbers so far">{words.links_to_pages(shown)}</nav>'
        return shown

    def _output(self, data_of, metadata):
        if "text/html" in data_of:
            return data_of["text/html"]
        if "text/markdown" in data_of:
            return words.markdown_to_html(data_of["text/markdown"], self._rooms)
        if "image/png" in data_of:
            return self._picture(base64.b64decode(data_of["image/png"]), metadata.get("image/png", {}).get("alt", ""))
        if WIDGET_VIEW in data_of:  # lives with a kernel only, such as a bar that shows how far it is
            return ""
        return f"<pre>{escaped(data_of.get('text/plain', ''))}</pre>"

    def _picture(self, png, alt):
        """A picture that is loaded when it is looked at."""
        pixels = strips.pixels_of(png)
        name = f"{next(self._count):02d}.webp"
        self._save(name, strips.webp(pixels))
        self.cover = self.cover or (name, alt)
        rows, columns = pixels.shape[:2]
        return f'<img src="{name}" alt="{escaped(alt)}" width="{columns}" height="{rows}" loading="lazy">'

    def _figure(self, shown):
        page = f'<div class="window wide">{self._picture(shown.png, shown.alt)}</div>'
        page += figures.in_words(shown.alt, shown.sentence)
        return folded(f"More: {shown.fold}", page) if shown.fold else f'<section class="piece">{page}</section>'

    # What the reader answers

    def _guess(self, guess, alone=False):
        number = next(self._count)
        if guess.options:
            values = list(guess.options)
            offered = "".join(
                f'<label><input type="radio" name="guess{number}" value="{place}"> {escaped(text)}</label>'
                for place, text in enumerate(values)
            )
        else:
            low, high, start = guess.scale
            values = list(np.linspace(low, high, 101))
            offered = (
                f'<label>Your guess <input type="range" min="0" max="100" value="50"></label> '
                f"<output>{start:.3g} {escaped(guess.unit)}</output>"
            )
        answers = [guesses.resolve(guess, value) for value in values]
        said = [] if guess.options else [f"{value:.3g} {guess.unit}".strip() for value in values]
        heads = [answer.removesuffix(guess.answer) for answer in answers]
        kept = data({"heads": heads, "answer": guess.answer, "said": said, "alone": alone})
        return (
            f'<form class="piece guess"><fieldset><legend><b>Guess first.</b> {escaped(guess.ask)}</legend>'
            f'<div class="offered">{offered}</div></fieldset><p class="buttons live">'
            '<button type="submit">That is my guess</button> <button type="button" class="skip">Skip</button> '
            '<button type="button" class="open" hidden>Show the answer</button></p>'
            '<p role="status" class="said"></p>'
            f"<noscript>{folded('The answer', f'<p>{escaped(guess.answer)}</p>')}</noscript>{kept}</form>"
        )

    def _exercise(self, question):
        number = next(self._count)
        kept = question.without_kernel()
        if question.options:
            offered = "".join(
                f'<label><input type="radio" name="exercise{number}" value="{place}"> {escaped(text)}</label>'
                for place, text in enumerate(question.options)
            )
        else:
            offered = (
                '<label>Your answer <input type="text" autocomplete="off" spellcheck="false" '
                f'placeholder="such as {escaped(question.example)}"></label>'
            )
        helps = "".join(
            folded(name, f"<p>{escaped(text)}</p>")
            for name, text in (("Hint", question.hint), ("Solution", question.solution))
        )
        return (
            f'<form class="piece exercise"><fieldset><legend><b>Exercise {escaped(question.name)}.</b> '
            f'{escaped(question.task)}</legend><div class="offered">{offered}</div></fieldset>'
            '<p class="buttons live"><button type="submit">Check</button></p><p role="status" class="said"></p>'
            f"{helps}{data(kept)}</form>"
        )

    # What moves

    def _panel(self, panel):
        number = next(self._count)
        kept = stills(panel, self._pictures)
        starts, texts = kept.starts(), kept.texts()
        sentence, pixels = panel.still()
        name = f"{number:02d}.webp"
        self._save(name, strips.webp(pixels))
        first, whole = self._in_part(panel, name)
        self.cover = self.cover or (name, panel.alt)
        rows = {}
        for row in kept.rows():
            files = []
            for part, strip in enumerate(strips.strips(row.pictures)):
                place = "".join(f"_{place}" for place in row.kept)
                files.append(f"{number:02d}{place}_{kept.controls[row.moving].name}_{part}.webp")
                self._save(files[-1], strip)
            rows["-".join(map(str, (*row.kept, row.moving)))] = {"files": files, "sentences": row.sentences}
        height, width = pixels.shape[:2]
        controls = [
            {"label": control.label, "start": start, "texts": shown, "interval": _interval(control, values)}
            for control, start, shown, values in zip(kept.controls, starts, texts, kept.values, strict=True)
        ]
        values = {"controls": controls, "keeping": kept.keeping, "moving": kept.moving, "rows": rows}
        values["a_strip"] = strips.a_strip(width)
        shown = "".join(
            _control(f"control{number}_{place}", place, *of_it)
            for place, of_it in enumerate(zip(kept.kinds(), kept.controls, starts, texts, strict=True))
        )
        guess = self._guess(panel.asked.guess) if panel.asked is not None else ""
        return (
            f'<section class="piece panel" aria-label="Panel {number} with controls">{guess}<div class="beside">'
            f'<div class="controls live">{shown}'
            '<p><button type="button" class="reset">Back to start values</button></p></div>'
            '<div class="picture"><div class="window wide">'
            f'<div class="frame" style="aspect-ratio:{width}/{height}">'
            f'<img src="{first}" alt="{escaped(panel.alt)}" width="{width}" height="{height}" loading="lazy"'
            f' data-whole="{name}"></div></div>{whole}'
            f'<p role="status" class="sentence" data-waiting="{escaped(panel.waiting_text)}">{escaped(sentence)}</p>'
            f"{figures.in_words(panel.alt)}"
            f'<p class="note live" role="status">{_LIVE}</p></div></div>{data(values)}</section>'
        )

    def _in_part(self, panel, whole):
        """The picture that waits for the guess, and HTML that shows the whole one where no script can."""
        pixels = panel.in_part()
        if pixels is None:
            return whole, ""
        name = whole.replace(".webp", "_in_part.webp")
        self._save(name, strips.webp(pixels))
        picture = f'<img src="{whole}" alt="{escaped(panel.alt)}" style="max-width:100%" loading="lazy">'
        return name, f"<noscript>{folded('The whole picture', picture)}</noscript>"


def _interval(control, values):
    """Milliseconds from one kept picture of a film to the next; 0 for what is no film."""
    return control.interval * (values[1] - values[0]) if control.interval else 0


def _control(name, place, kind, control, start, texts):
    """One control, as the browser's own: a range, a list, or a box to tick."""
    label = escaped(f"{control.label} [{control.unit}]" if control.unit else control.label)
    if kind == "switch":
        ticked = " checked" if start else ""
        shown = f'<label><input type="checkbox" data-control="{place}"{ticked}> {label}</label>'
    elif kind == "list":
        options = "".join(
            f'<option value="{each}"{" selected" if each == start else ""}>{escaped(text)}</option>'
            for each, text in enumerate(texts)
        )
        shown = f'<label for="{name}">{label}</label><select id="{name}" data-control="{place}">{options}</select>'
    else:
        play = '<button type="button" class="play">Play</button>' if kind == "film" else ""
        shown = (
            f'<label for="{name}">{label}</label><input type="range" id="{name}" data-control="{place}" min="0" '
            f'max="{len(texts) - 1}" value="{start}" aria-valuetext="{escaped(texts[start])}">'
            f'<output for="{name}">{escaped(texts[start])}</output>{play}'
        )
    return f'<div class="control">{shown}<small>start: {escaped(texts[start])}</small></div>'
