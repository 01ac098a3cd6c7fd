"""Files that a user hands to a panel: read at once, never kept, not told what the file before was told."""

from collections.abc import Callable
from dataclasses import asdict
from pathlib import PurePath

from fertkit.errors import FertkitError, shorten
from fertkit.panels import show

#: Largest file a panel reads [bytes]; a season of one laboratory or one combine is far below it.
LARGEST_FILE = 5_000_000


class TakesFiles:
    """The part of a panel that takes files from its buttons."""

    def take_file(self, name: str, content: bytes) -> None:
        """Use an uploaded file; if it cannot be used, say so and stay with the one before.

        What the file before was told is not told to this one: if it needs that, the panel asks.
        """
        before = self.data, self._source, {key: self.controls[key].value for key in self.reading}
        with self._step("reading the file", keep=self._of_before()):
            self._tell({key: asdict(self.Settings())[key] for key in self.reading})
            try:
                self.open(content, name)
            except FertkitError:
                if self._would_do(content, name):
                    self._ask_for_telling(content, name)
                if before[0] is not None:  # otherwise it is tried again when a setting says how to read it
                    self._tell(before[2])
                    self.data, self._source = before[:2]
                raise
        if self.error is None:
            self.recompute()

    def _of_before(self) -> str:
        name = PurePath(self.file).name
        return f"These figures are of the file before{f', {name}' if name else ''}."

    def _tell(self, values: dict) -> None:
        with self._hold():
            self.apply(values)

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
        self._file_line.value = show.paragraphs(f"{name} waits to be told more.")
        labels = " and ".join(f"'{self.controls[key].description}'" for key, _ in self.telling)
        raise FertkitError(f"{name} does not say what it needs to be read; choose {labels}")

    def take_settings(self, name: str, content: bytes) -> None:
        """Use uploaded settings; if they cannot be used, say so and change nothing."""
        with self._step(f"loading {name}", keep=True):
            self.load_settings(content.decode("utf-8", "replace"))

    def _take(self, uploads, use: Callable[[str, bytes], None]) -> None:
        if not uploads:
            return
        one = uploads[0]
        name, content = shorten(one["name"]), one["content"]
        self.upload.value = self.settings_upload.value = ()  # the bytes are not kept
        if len(content) > LARGEST_FILE:
            with self._step("reading the file", keep=self._of_before()):
                limit = f"{LARGEST_FILE / 1e6:g} MB"
                raise FertkitError(f"{name} is larger than {limit}. Take out what the panel does not need.")
            return
        use(name, bytes(content))

    def _showing(self, name: str) -> str:
        """Say which file is shown, what it was told and that an uploaded one is shown in this panel alone."""
        told = [
            f"{key} taken as {self.controls[key].value}" for key in self.reading if self.controls[key].value
        ]
        line = f"Showing {', '.join([name, *told])}."
        first, given = self._first[0], isinstance(self._source[0], bytes) if self._source else False
        if given and isinstance(first, (str, PurePath)):
            line += f"\nIn this panel alone: the rest of the page still shows {PurePath(first).name}."
        return line
