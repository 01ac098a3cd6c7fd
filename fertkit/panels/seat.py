"""A kernel for one page, forked from a process that has everything loaded: there at once, its memory shared.

The server starts this module in place of a kernel. Where `keep_seats` runs beside the server (on Linux; other
systems cannot safely fork a process that has loaded so much) it asks for a fork and stands in for it: signals
go on to the fork, and each ends with the other. Everywhere else it becomes a kernel itself.
"""

import json
import os
import signal
import socket
import sys
import threading
from importlib import import_module

#: Where the keeper of seats listens, told to the server and by it to each kernel.
ADDRESS = "FERTKIT_SEATS"
#: How often the keeper looks whether the server is still there [s].
LOOK_UP = 5
#: First line of a kernel that is no fork.
EARLY = "from fertkit.panels import seat; seat.load_early(get_ipython())"
#: Modules that every panel needs to draw its first figure; heavier ones of single panels are left to them.
NEEDED_EARLY = (
    *(f"fertkit.panels.{name}" for name in ("guess", "leaf", "needs", "plan", "trials")),
    "matplotlib.backends.backend_svg", "scipy.special",
)  # fmt: skip


def can_fork() -> bool:
    """Whether seats can be forked here."""
    return sys.platform == "linux"


def load_early(shell) -> None:
    """Load what every panel needs when a kernel that is no fork runs its first cell.

    The server of the pages tells each kernel its name before anything else: that is when the modules are
    loaded, while a browser still loads its own part of a page.

    Parameters
    ----------
    shell : IPython.core.interactiveshell.InteractiveShell
    """

    def load(*_):
        shell.events.unregister("pre_run_cell", load)
        _load()

    shell.events.register("pre_run_cell", load)


def _load() -> None:
    for name in NEEDED_EARLY:
        import_module(name)


def keep_seats(listening: int) -> None:
    """Load what panels need, then fork a kernel for each that asks, until the server ends.

    Parameters
    ----------
    listening : int
        File descriptor of a Unix socket that listens already, so that who asks early only waits.
    """
    import gc

    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # forks that end leave nothing behind
    _load()
    import_module("ipykernel.kernelapp")
    import_module("ipykernel.ipkernel")
    gc.freeze()  # else the collector would write to every page of memory that forks share
    seats = socket.socket(fileno=listening)
    seats.settimeout(LOOK_UP)
    beside = os.getppid()
    while os.getppid() == beside:
        try:
            line, _ = seats.accept()
        except TimeoutError:
            continue
        line.setblocking(True)
        if os.fork() == 0:
            seats.close()
            _become(line)
        line.close()


def _become(line) -> None:
    """Be the kernel that was asked for; end when who asked ends."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    asked = json.loads(line.makefile().readline())
    line.sendall(f"{os.getpid()}\n".encode())
    os.chdir(asked["cwd"])
    os.environ.clear()
    os.environ.update(asked["environment"])
    threading.Thread(target=_end_with, args=(line,), daemon=True).start()
    _launch(asked["arguments"])
    os._exit(0)


def _end_with(line) -> None:
    line.recv(1)
    os._exit(0)


def _launch(arguments) -> None:
    from ipykernel.kernelapp import IPKernelApp

    IPKernelApp.launch_instance(arguments)


def _stand_in(line, arguments) -> None:
    """Wait for the fork to end, and hand signals on to it."""
    asked = {"arguments": arguments, "cwd": os.getcwd(), "environment": dict(os.environ)}
    line.sendall(json.dumps(asked).encode() + b"\n")
    fork = int(line.makefile().readline())
    for one in (signal.SIGINT, signal.SIGTERM):
        signal.signal(one, lambda number, _: os.kill(fork, number))
    line.recv(1)


def main(arguments) -> None:
    """Be a kernel, or stand in for a fork that is."""
    if address := os.environ.get(ADDRESS):
        line = socket.socket(socket.AF_UNIX)
        try:
            line.connect(address)
        except OSError:  # the keeper is gone: this process becomes the kernel itself
            line.close()
        else:
            return _stand_in(line, arguments)
    return _launch([*arguments, f"--IPKernelApp.exec_lines={EARLY}"])


if __name__ == "__main__":
    if sys.argv[1:2] == ["keep"]:
        keep_seats(int(sys.argv[2]))
    else:
        main(sys.argv[1:])
