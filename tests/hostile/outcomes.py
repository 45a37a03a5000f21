"""What may come of a hostile file or call, and a runner that outlives those that hang or end the process."""

import contextlib
import multiprocessing
import time
import warnings
from collections import Counter
from dataclasses import dataclass, field

import astropy.units as u

REFUSED = "refused in words"
RIGHT = "right"
UNCLEAR = "refused without naming file or argument"
OTHER = "another exception"
NOT_FINITE = "NaN or infinite"
WRONG = "silently wrong"
HANG = "no end"
CLASSES = (REFUSED, RIGHT, UNCLEAR, OTHER, NOT_FINITE, WRONG, HANG)
IN_WORDS = (ValueError, TypeError, u.UnitsError, OSError)
LIMIT = 20.0  # seconds that one case may take
_MOST_MEMORY = 4 * 2**30  # bytes of address space of a worker, where the system can limit it
_SLOWEST = 5  # cases named in a report
_FIRST_CASE = 120.0  # seconds until a worker has imported what it needs


@dataclass(frozen=True)
class Case:
    """One hostile file or call.

    Attributes
    ----------
    name : str
    run : callable
        Without arguments; returns the outcome's class, and a word on it.
    """

    name: str
    run: object


@dataclass
class Report:
    """Counts by class, the cases that are no good outcome, and the time of all and of the slowest."""

    counts: Counter = field(default_factory=Counter)
    bad: list = field(default_factory=list)
    times: list = field(default_factory=list)
    seconds: float = 0.0

    def add(self, kind, name, word, seconds):
        self.counts[kind] += 1
        self.times.append((seconds, name))
        if kind not in (REFUSED, RIGHT):
            self.bad.append((kind, name, word))

    def __str__(self):
        total = sum(self.counts.values())
        lines = [f"{total:,} cases in {self.seconds:.0f} s"]
        lines += [f"  {self.counts[kind]:7,} {kind}" for kind in CLASSES]
        lines += [f"  {kind}: {name}: {word}" for kind, name, word in sorted(self.bad)]
        lines += [f"  {seconds:7.2f} s: {name}" for seconds, name in sorted(self.times)[: -1 - _SLOWEST : -1]]
        return "\n".join(lines)


def refusal(error, names):
    """Class of an error: in words with one of `names`, in words without, or of a kind that is no refusal."""
    text = str(error)
    if not isinstance(error, IN_WORDS):
        return OTHER, f"{type(error).__name__}: {text[:200]}"
    told = text.lower().replace("_", " ")
    kind = REFUSED if any(name.lower().replace("_", " ") in told for name in names) else UNCLEAR
    return kind, f"{type(error).__name__}: {text[:200]}"


def _limit_memory():
    try:
        import resource
    except ImportError:  # not on this system
        return
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (_MOST_MEMORY, hard))


def _context():
    """New processes begin with what the cases import, where the system can do that."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["calls", "damaged_files"])
    return context


def _work(connection, make, seed, share, first):
    """Run the cases from number `first` on, of every `share` one; told to the parent before and after each."""
    _limit_memory()
    warnings.simplefilter("ignore")
    with contextlib.suppress(BrokenPipeError):  # the parent gave this worker up
        for number, case in enumerate(make(seed)):
            if number >= first and number % share == 0:
                connection.send((number, case.name))
                connection.send(case.run())
        connection.send(None)


def run_all(make, seed, share=1, limit=LIMIT):
    """Run all cases in a process of their own; a case that hangs is ended with it, and a new one goes on behind it.

    Parameters
    ----------
    make : function
        From a seed to an iterable of `Case`, always the same for the same seed; at the top of its module.
    seed : int
    share : int
        Only every so many-th case.
    limit : float
        Seconds that one case may take.

    Returns
    -------
    Report
    """
    context = _context()
    report, first, began = Report(), 0, time.monotonic()
    while first is not None:
        ours, theirs = context.Pipe(duplex=False)
        worker = context.Process(target=_work, args=(theirs, make, seed, share, first), daemon=True)
        worker.start()
        theirs.close()
        try:
            reached = _follow(ours, report, limit)
        finally:
            worker.terminate()
            worker.join()
            ours.close()
        if reached is not None and reached <= first:
            raise RuntimeError(f"the cases could not be made; the worker ended with status {worker.exitcode}")
        first = reached
    report.seconds = time.monotonic() - began
    return report


def _follow(connection, report, limit):
    """Take down what a worker tells; the number to go on from, None when it was through."""
    number, name = -1, "before the first case"
    try:
        while connection.poll(_FIRST_CASE):
            if (told := connection.recv()) is None:
                return None
            number, name = told
            began = time.monotonic()
            if not connection.poll(limit):
                break
            kind, word = connection.recv()
            report.add(kind, name, word, time.monotonic() - began)
    except EOFError:
        if number >= 0:
            report.add(OTHER, name, "the process ended", time.monotonic() - began)
        return number + 1
    report.add(HANG, name, f"more than {limit:g} s", limit)
    return number + 1
