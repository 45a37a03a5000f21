"""`show`: the workbooks as live pages, for one reader or for all in a room; no code to be seen or run."""

from helpers.command import environment, lab, processes
from helpers.command.environment import ROOT, SetupError

FOLDER = ROOT / ".show"  # rigs of visitors, unless another folder is named


def show_command(python, options):
    """The command that starts the server."""
    command = [str(python), "-m", "helpers.command.live.server", f"--port={options.port}"]
    command += [f"--folder={options.folder.resolve()}", f"--visitors={options.visitors}"]
    return command + [f"--{name}" for name in ("share", "no-browser") if getattr(options, name.replace("-", "_"))]


def check(options):
    """SetupError if the port is taken or the folder can't be written."""
    if not lab.is_free(options.port):
        raise SetupError(
            f"Port {options.port} can't be used, perhaps the workbooks are shown already: choose another one, such as "
            f"'python3 -m helpers show --port {options.port % 65535 + 1}'."
        )
    try:
        options.folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SetupError(f"{options.folder}: {error.strerror}. Name another folder with --folder.") from error


def run(options):
    """Serve until Ctrl+C."""
    check(options)
    python = environment.prepare("reader")
    print("Starting ...", flush=True)
    try:
        return processes.run(show_command(python, options), processes.surroundings())
    except KeyboardInterrupt:
        print("\nThe workbooks are no longer shown.")
        return 0
