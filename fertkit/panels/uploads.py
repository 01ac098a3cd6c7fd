"""Files that a user hands to a panel: read at once, never kept, not told what the file before was told."""

import json
from io import BytesIO
from pathlib import PurePath

import fertkit
from fertkit.errors import FertkitError, InputError, Problem, shorten
from fertkit.panels import controls, show

#: Largest file a panel reads [bytes]; a season of one laboratory or one combine is far below it.
LARGEST_FILE = 5_000_000
#: What people call a setting that says how a file is read.
CALLED = {"by": "second factor", "header_width": "header width"}


class TakesFiles:
    """The part of a panel that takes files and settings from its buttons."""

    def settings_json(self) -> str:
        """Give the settings, and the name of the file they were used on, as JSON."""
        kept = {"panel": type(self).__name__, "fertkit": fertkit.__version__}
        return json.dumps(
            kept | {"file": PurePath(self.file).name, "settings": vars(self.settings)}, indent=1
        )

    def load_settings(self, text: str) -> None:
        """Take settings saved earlier from such a panel.

        Raises
        ------
        InputError
            If the text is not such settings; nothing is changed then.
        """
        try:
            kept = json.loads(text)
            panel, values = kept["panel"], kept["settings"]
        except (ValueError, KeyError, TypeError, RecursionError):
            raise _no_settings(
                "this is not a settings file", "choose a file saved with 'Save settings'"
            ) from None
        if panel != type(self).__name__ or not isinstance(values, dict):
            raise _no_settings("these settings are for another panel", "load them there", panel)
        file = kept.get("file")
        if self.file_words and file and file != PurePath(self.file).name:
            raise _no_settings("these settings were saved with another file", "open that file first", file)
        self.set(**values)

    def take_file(self, name: str, content: bytes) -> None:
        """Use an uploaded file; if it cannot be used, say so and stay with the one before.

        What the file before was told, or is known of its field, is not taken over: if this one needs that,
        the panel asks.
        """
        fresh = self.reading + self.belonging
        before = self.data, self._source, {key: self.controls[key].value for key in fresh}
        with self._step("reading the file", keep=self._of_before()):
            self._tell({key: getattr(self._defaults, key) for key in fresh})
            try:
                self.open(content, name)
            except FertkitError:
                if self._would_do(content, name):
                    self._ask_for_telling(content, name)
                if before[0] is None:  # it is tried again when a setting says how to read it
                    self._file_line.value = show.paragraphs(f"{name} is not read yet.")
                else:
                    self._tell(before[2])
                    self.data, self._source = before[:2]
                raise
        if self.error is None:
            self.recompute()
            if self._returning:
                self.take_back(self._returning)

    def take_back(self, text: str) -> None:
        """Take settings back that the page kept; those of an uploaded file wait until it is opened again."""
        self._returning = text
        with self._step("restoring your settings", keep=True):
            name = PurePath(json.loads(text)["file"]).name
            if self.file_words and name != PurePath(self.file).name:
                raise FertkitError(f"open {name or 'your file'} again: your settings for it are kept")
            self._returning = ""
            self.load_settings(text)

    def take_settings(self, name: str, content: bytes) -> None:
        """Use uploaded settings; if they cannot be used, say so and change nothing."""
        with self._step(f"loading {name}", keep=True):
            self.load_settings(content.decode("utf-8", "replace"))

    def _tell(self, values: dict) -> None:
        with self._hold():
            self.apply(values)

    def _tells_itself(self, key: str, name: str) -> bool:
        """Whether the file says the same without what the user chose for `key`."""
        if self._source is None or controls.holds(self.controls[key], ""):  # it can be told nothing else
            return False
        chosen, data = self.controls[key].value, self.data
        self._tell({key: ""})
        try:
            untold = self._read(self._source[0], name)
            same = getattr(untold, "crop", "") == getattr(data, "crop", "")
            return same and untold.table.equals(data.table)
        except FertkitError:
            return False
        finally:
            self._tell({key: chosen})
            self.data = data

    def _read(self, source, name: str):
        return self.read(BytesIO(source) if isinstance(source, bytes) else source, name or None)

    def _would_do(self, content: bytes, name: str) -> bool:
        """Whether the file could be read if it were told something."""
        untold = {key: self.controls[key].value for key, _ in self.telling}
        self._tell(dict(self.telling))
        try:
            self._read(content, name)
        except FertkitError:
            return False
        finally:
            self._tell(untold)
        return bool(self.telling)

    def _ask_for_telling(self, content: bytes, name: str) -> None:
        self.data, self._source = None, (content, name)  # read again when told
        self._clear()
        self._file_line.value = show.paragraphs(f"{name} needs one more choice.")
        labels = " and ".join(f"'{self.controls[key].description}'" for key, _ in self.telling)
        raise FertkitError(f"{name} cannot be read without one more choice: {labels}")

    def _take(self, uploads, use) -> None:
        files = [(shorten(one["name"]), one["content"]) for one in uploads]
        if not files:
            return
        self.upload.value = self.settings_upload.value = ()  # the bytes are not kept
        for name, content in files:
            if len(content) <= LARGEST_FILE:
                use(name, bytes(content))
            else:
                self._refuse_large(name)
            if self.error is not None:  # what could not be used stays on the screen
                return

    def _refuse_large(self, name: str) -> None:
        with self._step("reading the file", keep=self._of_before()):
            limit = f"{LARGEST_FILE / 1e6:g} MB"
            raise FertkitError(f"{name} is larger than {limit}. Remove columns or rows you do not need.")

    def _of_before(self) -> str:
        name = PurePath(self.file).name
        return f"Figures shown are from the previous file{f', {name}' if name else ''}."

    def _showing(self, name: str) -> str:
        """Say which file is shown, what it was told and that an uploaded one is shown in this panel alone."""
        told = {key: self.controls[key].value for key in self.reading if self.controls[key].value}
        idle = [key for key in told if self._tells_itself(key, name)]
        taken = [f"{CALLED.get(key, key)} taken as {value}" for key, value in told.items() if key not in idle]
        line = f"Showing {', '.join([name, *taken])}."
        if idle:
            line += f"\nThe file states the {' and the '.join(idle)}; your choice is not used."
        first, given = self._first[0], isinstance(self._source[0], bytes) if self._source else False
        if given and isinstance(first, (str, PurePath)):
            line += f"\nThis panel uses it; other panels still show {PurePath(first).name}."
        return line


def _no_settings(what: str, remedy: str, value=None) -> InputError:
    return InputError("settings", [Problem(what, remedy, value=value)])
