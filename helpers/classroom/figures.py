"""One look for all figures: colour-blind-safe, line styles and markers besides colour, text that a projector shows."""

import base64
import html
import io
import struct
import threading
import zlib

import matplotlib
import matplotlib.ticker
import numpy as np
from astropy.visualization import quantity_support
from matplotlib import patheffects
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from helpers.classroom.text import Marked, escape, marked, more, say, table

__all__ = ["Marked", "escape", "marked", "more", "say", "table"]  # text and pictures reach a page by one name

# Okabe & Ito 2008, "Color Universal Design": eight colours told apart with every common kind of colour vision.
COLOURS = ("#0072B2", "#E69F00", "#009E73", "#CC79A7", "#000000", "#56B4E9", "#D55E00")
LINE_STYLES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (8, 3)), (0, (1, 1)))
MARKERS = ("o", "s", "^", "D", "v", "P", "X")
IMAGE_MAP = "cividis"  # perceptually uniform, made for colour-blind viewers (Nunez, Anderton & Renslow 2018)
GREY = "#595959"  # 7:1 on white (WCAG 2.2, 1.4.6)
KIND = "classroom"  # in an output's metadata: which piece of furniture it is

# JupyterLab may answer widgets in one thread of the kernel while cells run in another: one drawing at a time.
DRAWING = threading.RLock()

matplotlib.rcParams.update(
    {
        "figure.dpi": 100,
        "figure.facecolor": "white",
        "font.size": 13,
        "axes.titlesize": 14,
        "axes.labelsize": 13,
        "legend.fontsize": 11.5,
        "xtick.labelsize": 12,
        "ytick.labelsize": 12,
        "lines.linewidth": 2.2,
        "lines.markersize": 7,
        "axes.grid": True,
        "grid.color": "#d8d8d8",
        "grid.linewidth": 0.8,
        "axes.axisbelow": True,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "legend.framealpha": 0.9,
        "image.cmap": IMAGE_MAP,
        "image.interpolation": "nearest",
        "svg.hashsalt": "figures",
    }
)
quantity_support()  # axes take Quantities, and refuse those of another kind


def new_figure(rows=1, columns=1, width=7.2, height=4.2, **subplots):
    """A figure outside pyplot (nothing to close, nothing shown twice) and its axes.

    Parameters
    ----------
    rows, columns : int
        Panels in the figure.
    width, height : float
        Inches; 100 dots an inch.
    **subplots
        Passed to ``Figure.subplots``, such as ``sharex=True`` or ``width_ratios=[1, 2]``.

    Returns
    -------
    figure : matplotlib.figure.Figure
    axes : Axes, or array of Axes as ``Figure.subplots`` gives them
    """
    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    return figure, figure.subplots(rows, columns, **subplots)


def look(index):
    """Colour, line style and marker number `index` as keyword arguments for ``plot``; told apart without colour."""
    return {
        "color": COLOURS[index % len(COLOURS)],
        "linestyle": LINE_STYLES[index % len(LINE_STYLES)],
        "marker": MARKERS[index % len(MARKERS)],
    }


def line_look(index):
    """The same without marker, for dense curves."""
    style = look(index)
    del style["marker"]
    return style


def label(axes, x=None, y=None, title=None):
    """Name the axes; each name ends with its unit in square brackets.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    x, y : str, optional
        Such as "guide exposure [s]". A plain number, such as a share, says so with "[-]", which is not drawn. None
        leaves an axis without name.
    title : str, optional

    Raises
    ------
    ValueError
        A name without a unit.
    """
    for name, text, write in (("x", x, axes.set_xlabel), ("y", y, axes.set_ylabel)):
        if text is not None and not text.rstrip().endswith("]"):
            raise ValueError(f"{name}: expected a unit in square brackets at the end ('[-]' if none), found {text!r}")
        write((text or "").removesuffix("[-]").rstrip())
    if title:
        axes.set_title(title)


def log_ticks(axes, x=None, y=None):
    """Ticks of logarithmic axes at the values named, written as plain numbers."""
    for values, axis in ((x, axes.xaxis), (y, axes.yaxis)):
        if values is not None:
            axis.set_ticks(list(values), [f"{value:,g}" for value in values])
            axis.set_minor_locator(matplotlib.ticker.NullLocator())


def outline(width, height):
    """Corners of a rectangle about 0, closed: arrays x and y of shape (5,), in the unit of `width` and `height`."""
    return width / 2 * np.array([-1, 1, 1, -1, -1]), height / 2 * np.array([-1, -1, 1, 1, -1])


def label_curve(axes, x, y, text, at=0.5, above=True, **keywords):
    """Name a curve where it runs, instead of in a legend.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    x, y : array or Quantity
        The curve.
    text : str
    at : float
        Where along the points of the curve, from 0 to 1.
    above : bool or None
        Above or below the curve; None: at the point itself.
    **keywords
        Passed to the text, such as ``color``.

    Returns
    -------
    matplotlib.text.Annotation
    """
    place = round(at * (len(x) - 1))
    style = {"ha": "center", "va": "bottom" if above else "top", "fontsize": 12}
    halo = [patheffects.withStroke(linewidth=3, foreground="white")]
    return axes.annotate(
        text,
        (axes.convert_xunits(x[place]), axes.convert_yunits(y[place])),
        (0, {True: 5, False: -5, None: 0}[above]),
        textcoords="offset points",
        path_effects=halo,
        **(style | keywords),
    )


BESIDE_THE_AIR = ("would show, if the mount did it", "air in one exposure")  # the air's part is in the width already


def ruler(axes, notices=None, air=None, texts=("shows in the picture", "air in one exposure")):
    """Two lines across a plot of errors, the same in every room: what shows, and what the air does anyway.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Errors along y.
    notices, air : float or Quantity, optional
        As the axis takes it; None leaves a line out.
    texts : pair of str

    Returns
    -------
    list of Artist
        Lines and their names, in case they must move.
    """
    drawn = []
    values = [None if value is None else float(axes.convert_yunits(value)) for value in (notices, air)]
    for value, text, colour, style in zip(values, texts, ("black", GREY), ("--", ":"), strict=True):
        if value is not None:
            drawn.append(axes.axhline(value, color=colour, linestyle=style, linewidth=1.6))
            below = None not in values and value == min(values) != max(values)  # of two, the lower one's name
            place = {"xycoords": axes.get_yaxis_transform(), "textcoords": "offset points", "ha": "right"}
            place |= {"va": "top"} if below else {"va": "baseline"}
            halo = [patheffects.withStroke(linewidth=3, foreground="white")]
            shift = (0, -3 if below else 3)
            drawn.append(
                axes.annotate(text, (0.995, value), shift, color=colour, fontsize=11, path_effects=halo, **place)
            )
    return drawn


_BARS = 61  # an odd number: one stands on the true place


def places_measured(axes, reach, notices=None, air=None, colour=COLOURS[0]):
    """Bars for how often a centre was measured how far beside its true place along one axis, between the same lines.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    reach : float
        The axis runs from -reach to reach [arcsec].
    notices, air : float, optional
        Drawn on both sides, as in `ruler` [arcsec].
    colour : str

    Returns
    -------
    bars : matplotlib.patches.StepPatch
    show : callable
        Of errors along x [arcsec], shape (n,): sets the bars, the highest to 1; what lies beyond the axis stands at
        its ends.
    """
    edges = np.linspace(-reach, reach, _BARS + 1)
    bars = axes.stairs(np.zeros(_BARS), edges, fill=True, color=colour)
    axes.axvline(0, color="black", linewidth=1)
    names = [(0, "true place", "black", "-")]
    names += [(notices, "shows in the picture", "black", "--")] if notices is not None else []
    names += [(air, "air in one exposure", GREY, ":")] if air is not None else []
    for row, (value, text, line_colour, style) in enumerate(names):
        for side in {-value, value} if value else ():
            axes.axvline(side, color=line_colour, linestyle=style, linewidth=1.6)
        halo = [patheffects.withStroke(linewidth=3, foreground="white")]
        place = {"textcoords": "offset points", "fontsize": 10, "va": "center", "path_effects": halo}
        axes.annotate(text, (value, 1.1 + 0.14 * row), (4, 0), color=line_colour, **place)
    axes.set(xlim=(-reach, reach), ylim=(0, 1.2 + 0.14 * (len(names) - 1)), yticks=[])
    label(axes, "beside the true place, along x [arcsec]", None, "how often it was measured where")

    def show(errors):
        counts = np.histogram(np.clip(errors, edges[0], edges[-1]), edges)[0]
        bars.set_data(counts / max(1, counts.max()))

    return bars, show


def show_pixels(axes, image, scale=1.0, unit="pixel", **keywords):
    """Draw a picture on its pixel grid, first pixel at the lower left, its centre at 0.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    image : ndarray, shape (rows, columns)
    scale : float
        Size of a pixel in `unit`.
    unit : str
    **keywords
        Passed to ``imshow`` (vmin, vmax, cmap, animated).

    Returns
    -------
    matplotlib.image.AxesImage
    """
    rows, columns = np.shape(image)
    extent = np.array([-0.5, columns - 0.5, -0.5, rows - 0.5]) * scale
    picture = axes.imshow(image, origin="lower", extent=extent, **keywords)
    axes.grid(False)
    label(axes, f"x [{unit}]", f"y [{unit}]")
    return picture


def settle_layout(figure):
    """Lay a figure out as it is now; it stays so from here on, and nothing jumps when something in it moves."""
    with DRAWING:
        engine = figure.get_layout_engine()
        if engine is not None:
            engine.execute(figure)
        figure.set_layout_engine("none")


def png_of(figure, compression=6):
    """The figure as PNG bytes."""
    with DRAWING:
        figure.canvas.draw()
        return encode_png(figure.canvas.buffer_rgba(), compression)


def encode_png(rgba, compression):
    """PNG bytes of an RGBA buffer, without its opacity; compression 1 is quick, 6 is small."""
    if compression == 1:
        return _unfiltered_png(np.asarray(rgba))
    picture = Image.fromarray(np.asarray(rgba)[..., :3])
    file = io.BytesIO()
    picture.save(file, "png", compress_level=compression)
    return file.getvalue()


def _unfiltered_png(rgba):
    """PNG of an array (rows, columns, 4): for drawings of flat colours as small as Pillow's quick ones, in half of the
    time.

    Pillow tries five filters on each row, which helps photographs. Written after the PNG specification (W3C, third
    edition), sections 5, 9 and 11.2.
    """
    rows, columns, _ = rgba.shape
    lines = np.zeros((rows, 1 + 3 * columns), np.uint8)  # each line begins with its filter: 0, none
    for colour in range(3):  # quicker than all at once: numpy copies long rows well and triples badly
        lines[:, 1 + colour :: 3] = rgba[..., colour]
    header = struct.pack(">IIBBBBB", columns, rows, 8, 2, 0, 0, 0)  # 8 bits, RGB, not interlaced
    parts = [(b"IHDR", header), (b"IDAT", zlib.compress(lines, 1)), (b"IEND", b"")]
    chunks = [
        b"".join((struct.pack(">I", len(data)), name, data, struct.pack(">I", zlib.crc32(name + data))))
        for name, data in parts
    ]
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


def data_address(png):
    """A picture as an address that holds it (RFC 2397): a browser shows that without first fetching it, so never half
    loaded.
    """
    return b"data:image/png;base64," + base64.b64encode(png)


class Shown:
    """A figure as a workbook shows it: the picture, then in words what it shows and what it looks like."""

    def __init__(self, png, alt, sentence="", fold=""):
        self.png, self.alt, self.sentence, self.fold = png, alt, sentence, fold

    def _ipython_display_(self):
        from IPython.display import display

        if self.fold:
            picture = f'<img style="max-width:100%" alt="{html.escape(self.alt, quote=True)}" src="'
            picture += data_address(self.png).decode("ascii") + '">'
            page = picture + in_words(self.alt, self.sentence)
            title = f"<b>More:</b> {html.escape(self.fold)}"
            page = f"<details><summary>{title}</summary>{page}</details>"
            show_piece("figure", page, f"{self.fold}. {self.sentence}")
            return
        data, metadata = picture_bundle(self.png, self.alt)
        display(data, metadata=metadata | {KIND: "figure"}, raw=True)
        display({"text/html": in_words(self.alt, self.sentence), "text/plain": self.sentence}, raw=True)


def picture_bundle(png, alt):
    """Output data and metadata of a picture with alternative text."""
    data = {"image/png": base64.b64encode(png).decode("ascii"), "text/plain": alt}
    return data, {"image/png": {"alt": alt}}


def live_view(widget):
    """Output data by which a viewer with a kernel shows a widget."""
    bundle = widget._repr_mimebundle_()
    bundle = bundle[0] if isinstance(bundle, tuple) else bundle
    view = "application/vnd.jupyter.widget-view+json"
    return {view: bundle[view]}


def show_piece(kind, page, plain, widget=None):
    """Display one piece of furniture: a widget where a kernel runs, and HTML that stands for it everywhere else.

    Parameters
    ----------
    kind : str
        "panel", "figure", "guess", "exercise", "form", "strip" or "card"; kept in the output's metadata.
    page : str
        HTML, with all text of others escaped.
    plain : str
        The same in short, for viewers of plain text.
    widget : ipywidgets widget, optional
    """
    from IPython.display import display

    data = {"text/html": page, "text/plain": plain}
    display(data | (live_view(widget) if widget is not None else {}), metadata={KIND: kind}, raw=True)


def in_words(alt, sentence=""):
    """HTML under a picture: the read-out sentence, and the alternative text folded (JupyterLab shows no alt
    attribute).
    """
    shown = f'<p style="margin:0.2em 0"><b>{html.escape(sentence)}</b></p>' if sentence else ""
    return f"{shown}<details><summary>This figure in words</summary><p>{html.escape(alt)}</p></details>"


def show(figure, alt, sentence="", fold=""):
    """Show a figure with alternative text and a read-out sentence; make it the last expression of a cell.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    alt : str
        What somebody who can't see the figure needs to know.
    sentence : str
        What the figure shows, with its numbers.
    fold : str
        A title under which the figure is folded; none shows it at once.

    Returns
    -------
    Shown
    """
    if not alt.strip():
        raise ValueError("alt: expected a description of the figure, found none")
    return Shown(png_of(figure), alt, sentence, fold)
