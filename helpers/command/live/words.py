"""What `show` says: in the terminal, and on the plain pages for what can't be."""

import socket
import sys
import webbrowser

import psutil
import segno

from helpers.command.live.kernels import UPLOAD_MB

FULL = (
    "All places are taken",
    "{most} visitors are at work, more this computer can't carry. This page tries again by itself, every half minute.",
)
TROUBLE = {
    403: ("This address is not complete", "Ask whoever started the evening for the whole address, or read its code."),
    404: ("Nothing is here", "This address leads nowhere, or the evening was started anew. Begin with its address."),
    500: ("This did not work", "Go back and try again."),
}
SHARED = """\
What this means: everybody in this network who knows this address can open the workbooks. They can move sliders, answer
questions and send files to be looked at ({upload} MB at most); their rigs are kept in
{folder}.
They can't run code, and they can't see or change anything else on this computer. The connection is not encrypted.
At most {most} at once. Keep this window open; stop with Ctrl+C."""
ALONE = "Only this computer can open it. Keep this window open; stop with Ctrl+C."


def own_addresses():
    """IPv4 addresses of this computer in its networks, the one of the way out first."""
    found = [
        entry.address
        for entries in psutil.net_if_addrs().values()
        for entry in entries
        if entry.family == socket.AF_INET and not entry.address.startswith("127.")
    ]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for examples (RFC 5737); nothing is sent
            found.sort(key=lambda address: address != probe.getsockname()[0])
        except OSError:
            pass
    return found or ["127.0.0.1"]


def _code(address):
    """The address as a pattern for a phone's camera, where the terminal can show it."""
    try:
        segno.make(address, error="l").terminal(compact=True)
    except (UnicodeEncodeError, OSError):
        print("(This terminal can't show the code for phones.)")


def welcome(options, token):
    """Tell the address and what it means."""
    if options.share:
        first, *others = own_addresses()
        address = f"http://{first}:{options.port}/?token={token}"
        print(f"\nThe workbooks are shown to this network:\n\n    {address}\n")
        _code(address)
        if others:
            print(f"If that does not open, try {' or '.join(others)} instead of {first}.\n")
        print(SHARED.format(upload=UPLOAD_MB, folder=options.folder, most=options.visitors))
    else:
        address = f"http://127.0.0.1:{options.port}/?token={token}"
        print(f"\nThe workbooks are shown. Their address, if no browser opens by itself:\n\n    {address}\n\n{ALONE}")
    sys.stdout.flush()
    if not options.no_browser:
        webbrowser.open(address)


def memory(each, most):
    """One line on what visitors need."""
    visitors = "1 visitor" if len(each) == 1 else f"{len(each)} visitors"
    free = psutil.virtual_memory().available / 1e6
    return (
        f"{visitors} of {most}: {sum(each) / len(each):.0f} MB each, {max(each):.0f} at most; {free:,.0f} MB are free."
    )
