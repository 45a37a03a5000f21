"""Star lists of the reader: from a file, or from a catalogue service when the reader asks for it."""

import io
import os
import queue
import threading
import time
import warnings
from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.table import Table
from scipy.spatial import KDTree

from helpers.shared import files as tables
from helpers.shared import sky
from helpers.shared.checks import choice, count, instance, optional, quantity, takes

# Names of columns in public catalogues, compared in lower case; the first that is there is taken.
_RA_NAMES = ("ra", "raj2000", "ra_icrs", "_raj2000", "ra_deg")
_DEC_NAMES = ("dec", "dej2000", "de_icrs", "_dej2000", "dec_deg", "declination")
_MAGNITUDE_NAMES = ("magnitude", "phot_g_mean_mag", "gmag", "g_mag", "mag", "vmag")
_MOST_BYTES = 64_000_000
_MOST_COLUMNS = 2000
# Set where readers work with another one's computer: they could make it ask any address in its network.
OFFLINE_VARIABLE = "GUIDING_OFFLINE"
_SAME_PLACE_ARCSEC = 0.1
_BRIGHTEST, _FAINTEST = -5.0, 40.0  # no star of the night sky lies beyond; numbers that do mark a missing magnitude


class StarListError(ValueError):
    """A star list can't be used; the message says what was found and what was expected."""


def _numbered(count, one, many):
    return f"1 {one}" if count == 1 else f"{count} {many}"


def _first(rows):
    return int(np.flatnonzero(rows)[0]) + 1


def _check_places(ra_deg, dec_deg, source):
    for name, values, lowest, highest in (("ra", ra_deg, -180, 360), ("dec", dec_deg, -90, 90)):
        wrong = ~((values >= lowest) & (values <= highest))
        if wrong.any():
            found = values[wrong][0]
            found = "nothing" if np.isnan(found) else f"{found:g}"
            raise StarListError(
                f"{source}: data row {_first(wrong)}, {name}: expected {lowest} to {highest} degrees, found {found}"
            )


def _star_table(ra_deg, dec_deg, magnitude, source, missing_magnitudes):
    """Table of places that were checked; what was left out stands in ``meta["notes"]``."""
    notes = []
    keep = np.isfinite(magnitude)
    if not keep.all():
        count = _numbered(int((~keep).sum()), "star has no magnitude", "stars have no magnitude")
        if missing_magnitudes == "refuse":
            raise StarListError(
                f"{source}: {count} (first: data row {_first(~keep)}); "
                'missing_magnitudes="leave out" goes on without such stars'
            )
        notes.append(f"{count}: left out.")
        ra_deg, dec_deg, magnitude = ra_deg[keep], dec_deg[keep], magnitude[keep]
    if len(magnitude) == 0:
        raise StarListError(f"{source}: expected at least one star with a magnitude, found none")
    ra_deg = np.mod(ra_deg, 360.0)
    order = np.argsort(magnitude, kind="stable")
    kept = np.sort(order[~_near_a_brighter_one(ra_deg[order], dec_deg[order])])
    repeated = len(order) - len(kept)
    if repeated:
        notes.append(f"{_numbered(repeated, 'row repeats', 'rows repeat')} a star at the same place: left out.")
    table = Table({"ra": ra_deg[kept] * u.deg, "dec": dec_deg[kept] * u.deg, "magnitude": magnitude[kept] * u.mag})
    table.meta["notes"] = notes
    return table


def _near_a_brighter_one(ra_deg, dec_deg):
    """Which stars, brightest first, stand within 0.1 arcsec of one before them; neither 0 h nor a pole matters."""
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    place = np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=1)
    pairs = KDTree(place).query_pairs(np.radians(_SAME_PLACE_ARCSEC / 3600), output_type="ndarray")
    near = np.zeros(len(ra), bool)
    near[pairs.max(axis=1)] = True
    return near


def _without_marks(magnitude, source):
    """Magnitudes with NaN where a number only marks a missing one, such as 99.99, -999 or 9999."""
    known = magnitude[np.isfinite(magnitude)]
    if known.size and np.all((known > 1000) & (known < 40_000)) and np.ptp(known) > 0:
        raise StarListError(
            f"{source}: magnitude: found values from {known.min():g} to {known.max():g}, which look like thousandths "
            "of a magnitude; divide them by 1000"
        )
    return np.where((magnitude > _BRIGHTEST) & (magnitude < _FAINTEST), magnitude, np.nan)


def _looks_like_radians(ra, dec):
    """Whether plain numbers for both angles may be radians: as degrees they lie in 1 of 4,000 parts of the sky."""
    return len(ra) >= 10 and ra.min() >= 0 and ra.max() <= 2 * np.pi and np.abs(dec).max() <= np.pi / 2


def _looks_like_hours(ra, dec):
    """Whether plain numbers for right ascension are more likely hours: none above 24, and far less spread than dec."""
    if ra.max() > 24 or ra.min() < 0 or len(ra) < 2:
        return False
    middle = np.radians(np.median(dec))
    gap = np.diff(np.sort(ra), append=ra.min() + 24).max()  # so that a field across 0 h is not wide
    return (24 - gap) * np.cos(middle) < np.ptp(dec) / 4 or np.ptp(dec) > 60


def _guessed_columns(path, columns):
    """The reader's choice of columns completed with the names that public catalogues use."""
    there = {name.lower(): name for name in tables.column_names(path)}
    guessed = {}
    for wanted, names in (("ra", _RA_NAMES), ("dec", _DEC_NAMES), ("magnitude", _MAGNITUDE_NAMES)):
        found = [there[name] for name in names if name in there]
        if found:
            guessed[wanted] = found[0]
    return guessed | dict(columns or {})


@takes(
    columns=optional(instance(dict)),
    ra_unit=optional(choice(("deg", "hourangle"))),
    missing_magnitudes=choice(("refuse", "leave out")),
)
def load_catalogue(path, columns=None, ra_unit=None, missing_magnitudes="refuse"):
    """Read a star list.

    Parameters
    ----------
    path : str or Path
        VOTable, FITS, ECSV or CSV.
    columns : dict, optional
        Our names to those in the file, where the usual ones are not used: ``{"magnitude": "Bmag"}``.
    ra_unit : {"deg", "hourangle"}, optional
        Unit of a right ascension that the file gives without unit; degrees if not said.
    missing_magnitudes : {"refuse", "leave out"}

    Returns
    -------
    astropy.table.Table
        ra (0 to 360), dec [deg], magnitude [mag], in the file's order. ``meta["notes"]`` lists in words what was left
        out: repeated stars, stars without magnitude.

    Raises
    ------
    FileNotFoundError, helpers.shared.files.TableError
        No such file, or no readable table with these columns.
    StarListError
        Places that can't be on the sky, missing magnitudes, right ascensions that look like hours.
    """
    columns = _guessed_columns(path, columns)
    wanted = {"ra": ra_unit or "deg", "dec": "deg", "magnitude": "mag"}
    stars = tables.read_table(path, wanted, columns=columns, missing="keep")
    name = Path(path).name
    ra = stars["ra"].quantity.to_value("deg")
    dec, magnitude = stars["dec"].quantity.value, stars["magnitude"].quantity.value
    _check_places(ra, dec, name)
    units = _units(path, columns, name)
    if ra_unit is None and units.get("ra") is None:
        if _looks_like_radians(ra, dec):
            raise StarListError(
                f"{name}: right ascension runs from {ra.min():g} to {ra.max():g}, declination from {dec.min():g} to "
                f'{dec.max():g} without a unit: they look like radians; convert them to degrees, or say ra_unit="deg"'
            )
        if _looks_like_hours(ra, dec):
            raise StarListError(
                f"{name}: right ascension runs from {ra.min():g} to {ra.max():g} without a unit and looks like hours; "
                'say ra_unit="hourangle" or ra_unit="deg"'
            )
    table = _star_table(ra, dec, _without_marks(magnitude, name), name, missing_magnitudes)
    if ra_unit is None and units.get("ra") is None and ra.min() >= 0 and ra.max() <= 24 and np.ptp(dec) < 0.05:
        # one star or a strip: its shape can't tell hours from degrees
        table.meta["notes"].append(
            'Right ascensions were taken as degrees; if they are hours, say ra_unit="hourangle".'
        )
    return table


def _units(path, columns, name):
    """Units that the file itself gives; truth values and units that only look convertible are refused."""
    if tables.file_format(path) == "CSV":
        return {}
    raw = tables.read_table(path, dict.fromkeys(("ra", "dec", "magnitude")), columns=columns)
    for wanted in raw.colnames:
        column = raw[wanted]
        if getattr(column, "dtype", np.dtype(float)).kind == "b":
            raise StarListError(f"{name}: column for {wanted}: expected numbers, found truth values")
        if wanted == "magnitude" and column.unit is not None and "mag" not in str(column.unit):
            raise StarListError(f"{name}: column for magnitude: expected the unit mag, found '{column.unit}'")
    return {wanted: raw[wanted].unit for wanted in raw.colnames}


def _column_by_meaning(table, name, names, ucds):
    """The one column that a service marks with one of these meanings (IVOA UCD), else one with a usual name."""
    marked = [found for found in table.colnames if str(table[found].meta.get("ucd", "")).lower() in ucds]
    usual = [found for wanted in names for found in table.colnames if found.lower() == wanted]
    if marked or usual:
        return (marked or usual)[0]
    raise StarListError(f"{name}: expected a column for it in the answer, found {', '.join(table.colnames)}")


def _magnitude_column(table, magnitude_column):
    if magnitude_column is not None:
        if magnitude_column not in table.colnames:
            raise StarListError(
                f"magnitude_column: expected one of {', '.join(table.colnames)}, found {magnitude_column!r}"
            )
        return magnitude_column
    usual = [found for wanted in _MAGNITUDE_NAMES for found in table.colnames if found.lower() == wanted]
    if usual:
        return usual[0]
    marked = [
        found
        for found in table.colnames
        if str(table[found].meta.get("ucd", "")).lower().startswith(("phot.mag", "phot_mag"))
    ]
    if len(marked) == 1:
        return marked[0]
    found = ", ".join(marked or table.colnames)
    raise StarListError(f"magnitude_column: expected the name of the magnitude to use; the answer has {found}")


def _degrees(column):
    values = np.ma.filled(np.ma.asarray(column, dtype=float), np.nan)
    return u.Quantity(values, column.unit or "deg").to_value("deg")


def _status(votable):
    """The last QUERY_STATUS of an answer (DALI 1.1, IVOA Recommendation 2017): "OK" if none."""
    infos = [info for part in (*votable.resources, votable) for info in part.infos]
    return ([str(info.value).upper() for info in infos if info.name.upper() == "QUERY_STATUS"] or ["OK"])[-1]


def _in_time(work, timeout_s, address):
    """What `work()` gives or raises; TimeoutError when it takes longer, however slowly a service drips its answer."""
    done = queue.Queue()

    def run():
        try:
            done.put((work(), None))
        except Exception as error:  # noqa: BLE001  handed on to the caller's thread
            done.put((None, error))

    threading.Thread(target=run, daemon=True).start()
    try:
        result, error = done.get(timeout=min(timeout_s, threading.TIMEOUT_MAX))
    except queue.Empty:
        raise TimeoutError(f"{address}: no complete answer within {timeout_s:g} s; try again later") from None
    if error is not None:
        raise error
    return result


def _download(query, address, timeout_s):
    """The body of the service's answer; stops when it takes too long or grows too large."""
    import requests

    end = time.monotonic() + timeout_s
    body = bytearray()
    try:
        with query.submit() as response:
            response.raise_for_status()
            for part in response.iter_content(65536):
                body += part
                if len(body) > _MOST_BYTES:
                    raise StarListError(
                        f"{address}: the answer is larger than {_MOST_BYTES // 1_000_000} MB; choose a smaller radius"
                    )
                if time.monotonic() > end:
                    raise TimeoutError
    except (TimeoutError, requests.exceptions.Timeout):
        raise TimeoutError(f"{address}: no complete answer within {timeout_s:g} s; try again later") from None
    except requests.exceptions.HTTPError as error:
        status = error.response.status_code
        raise StarListError(f"{address}: expected stars, found an error (HTTP status {status})") from None
    except (requests.exceptions.InvalidURL, requests.exceptions.InvalidSchema):
        raise StarListError(f"address: expected one such as https://..., found {address!r}") from None
    except requests.exceptions.RequestException:
        raise ConnectionError(f"{address}: can't be reached; is there a network, and is the address right?") from None
    return bytes(body)


def _check_answer(body, most_stars, address):
    """Refuse an answer that leads elsewhere or is too long, before it is parsed."""
    try:
        tables.refuse_outside_streams(body, address)
    except tables.TableError as error:
        raise StarListError(str(error)) from error
    for mark, most, what in ((b"<TR", most_stars, "rows"), (b"<FIELD", _MOST_COLUMNS, "columns")):
        if body.count(mark) > most + 10:
            raise StarListError(
                f"{address}: {body.count(mark):,} {what}, expected at most {most:,}; choose a smaller radius"
            )


@takes(
    centre=sky.as_place,
    radius=quantity(u.deg, above=0, maximum=10, ndim=0),
    magnitude_column=optional(instance(str)),
    timeout=quantity(u.s, above=0, maximum=3600, ndim=0),
    most_stars=count(minimum=1, maximum=10_000_000),
)
def cone_search(address, centre, radius, magnitude_column=None, timeout=20 * u.s, most_stars=200_000):
    """Ask a catalogue service for the stars around a place (IVOA Simple Cone Search). Uses the network.

    Parameters
    ----------
    address : str
        Of the service, such as an observatory's data centre publishes it; http or https.
    centre : SkyCoord
    radius : Quantity, angle
        At most 10 degrees.
    magnitude_column : str, optional
        Needed when the answer has several magnitudes under unusual names.
    timeout : Quantity, time
        For the whole answer.
    most_stars : int
        A longer answer is refused.

    Returns
    -------
    astropy.table.Table
        As `load_catalogue`; stars without magnitude are left out and noted.

    Raises
    ------
    ConnectionError
        No network, or nobody at that address.
    TimeoutError
        No complete answer in time.
    StarListError
        No VOTable, an error reported by the service, no stars, too many stars, no such columns; or GUIDING_OFFLINE is
        set.

    References
    ----------
    Simple Cone Search 1.03, IVOA Recommendation 2008; UCD1+ 1.3, IVOA Recommendation 2018.
    """
    import requests
    from astropy.io.votable import parse
    from pyvo.dal import DALQueryError, SCSQuery, SCSResults

    if os.environ.get(OFFLINE_VARIABLE):
        raise StarListError(
            "catalogues are asked only where the workbooks run on your own computer; send a file instead"
        )
    if not isinstance(address, str) or not address.startswith(("http://", "https://")):
        raise StarListError(f"address: expected one such as https://..., found {address!r}")
    timeout_s = timeout.value

    class Session(requests.Session):
        def request(self, *arguments, **keywords):
            return super().request(*arguments, **keywords | {"timeout": timeout_s})

    with Session() as session, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # services bend the VOTable standard in many harmless ways
        query = SCSQuery(address, centre, radius, verbosity=2, session=session)
        body = _in_time(lambda: _download(query, address, timeout_s), timeout_s, address)
        _check_answer(body, most_stars, address)
        try:
            answer = SCSResults(parse(io.BytesIO(body)))
            table = answer.to_table()
            status = _status(answer.votable)
        except DALQueryError as error:
            raise StarListError(f"{address}: the service reports: {' '.join(str(error).split())[:200]}") from None
        except Exception as error:  # parser and pyvo raise many kinds; the reader needs one sentence
            reason = " ".join(str(error).split())[:200]
            raise StarListError(f"{address}: expected a VOTable with stars, found: {reason}") from error
    if status == "ERROR":
        raise StarListError(f"{address}: the service reports an error")
    if len(table) == 0:
        raise StarListError(f"{address}: no stars within {radius:g} of that place in this catalogue")
    if status == "OVERFLOW":
        raise StarListError(
            f"{address}: the service cut its answer short after {len(table)} stars; choose a smaller radius"
        )
    if len(table) > most_stars:
        raise StarListError(f"{address}: {len(table)} stars, expected at most {most_stars}; choose a smaller radius")
    ra = _column_by_meaning(table, "ra", _RA_NAMES, ("pos.eq.ra;meta.main", "pos_eq_ra_main"))
    dec = _column_by_meaning(table, "dec", _DEC_NAMES, ("pos.eq.dec;meta.main", "pos_eq_dec_main"))
    magnitude = table[_magnitude_column(table, magnitude_column)]
    try:
        magnitude = np.ma.filled(np.ma.asarray(magnitude, dtype=float), np.nan)
        ra_deg, dec_deg = _degrees(table[ra]), _degrees(table[dec])
    except (TypeError, u.UnitConversionError) as error:
        raise StarListError(f"{address}: expected numbers for places and magnitudes: {error}") from error
    _check_places(ra_deg, dec_deg, address)
    return _star_table(ra_deg, dec_deg, _without_marks(magnitude, address), address, "leave out")
