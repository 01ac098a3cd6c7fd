"""The command line: one subcommand a question, each a thin call on the library."""

import argparse
import atexit
import gc
import io
import os
import re
import sys
import warnings
from contextlib import redirect_stdout

from fertkit import __version__
from fertkit.errors import FertkitError, harmless, naming

PRINTED = "what is printed"  # in place of the name of a file


def command():
    """Run the command line as a process of its own, and end it with the status of `main`."""
    ended = []
    atexit.register(_leave, ended)
    ended.append(main())
    sys.exit(ended[0])


def _leave(ended):
    """End the process at once, after all that waits for its end: the system frees what it holds."""
    if ended:
        for stream in filter(None, (sys.stdout, sys.stderr)):
            stream.flush()
        os._exit(ended[0])


def main(argv=None) -> int:
    """Run the command line; give 0, 2 when the input cannot be used, or 130 when it is stopped."""
    arguments = None
    if argv is None:
        _set_up()
    try:
        words = _as_spoken(sys.argv[1:] if argv is None else argv)
        parser = _parser(next(iter(words), None))
        arguments = parser.parse_args(words)
        with redirect_stdout(_Shown(sys.stdout)):
            arguments.run(arguments) if arguments.run else parser.print_help()
        _Shown(sys.stdout).flush()
    except FertkitError as error:
        print(harmless(f"fertkit: {error}"), file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print(f"fertkit: {getattr(arguments, 'stopped', 'stopped')}", file=sys.stderr)
        return 130
    except BrokenPipeError:  # the reader of the pipe has seen enough
        sys.stdout = None
    except OSError as error:
        if error.filename == PRINTED:
            sys.stdout = None  # else the interpreter tries once more at its end, and says so
        print(harmless(f"fertkit: {error.filename or 'file'}: {error.strerror or error}"), file=sys.stderr)
        return 2
    return 0


def _set_up():
    """Settle what holds for the process of one command: quick on small tables, without warnings."""
    gc.set_threshold(500_000)  # what is loaded stays: to look for what does not takes a tenth of the time
    import pandas as pd

    pd.set_option("mode.string_storage", "python")  # small tables of text are handled in half the time
    if not sys.warnoptions:
        warnings.simplefilter("ignore")  # a person at the terminal can do nothing about a library's warning


def _as_spoken(argv):
    """'needs corn silage 25 ton/ac' with its crop, part and unit where the parser looks for them."""
    stop = next((i for i, word in enumerate(argv) if word.startswith("--")), len(argv))
    words, options = argv[1:stop], argv[stop:]
    at = next((i for i, word in enumerate(words) if i and re.match(r"[<-]?\d", word)), None)
    if argv[:1] != ["needs"] or at is None:
        return argv
    crop, spoken = words[:at], {"--goal-unit": words[at + 1 :]}
    if len(crop) > 1 and crop[-1].lower() == "silage":
        spoken["--part"] = [crop.pop()]
    said = [w for name, some in spoken.items() if some for w in (name, " ".join(some))]
    if any(option.partition("=")[0] in said for option in options):
        return argv
    return ["needs", " ".join(crop), words[at], *said, *options]


class _Shown:
    """Standard output that marks characters which would steer a terminal; nothing where that is closed."""

    def __init__(self, out):
        self._out = out or io.StringIO()

    def write(self, text):
        with naming(PRINTED):
            return self._out.write(harmless(text))

    def flush(self):
        with naming(PRINTED):
            self._out.flush()


def _parser(asked=None):
    """The parser of the one question that is asked, or of all where none is, or one that is not known."""
    from fertkit.cli.questions import add_questions

    parser = argparse.ArgumentParser(
        prog="fertkit",
        description="Crop nutrition field by field: needs, leaf tests, strip trials, optimum rate.",
    )
    parser.add_argument("--version", action="version", version=f"fertkit {__version__}")
    parser.set_defaults(run=None)
    commands = parser.add_subparsers(metavar="QUESTION", title="questions")
    commands.asked = asked
    add_questions(commands)
    return parser if commands.choices else _parser()
