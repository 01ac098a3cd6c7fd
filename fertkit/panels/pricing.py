"""What panels of rate trials share: a crop, prices that belong to units, and a second factor to be named."""

from contextlib import suppress
from io import BytesIO

from fertkit.errors import FertkitError, InputError
from fertkit.intake.columns import OTHER, say_column
from fertkit.panels import controls
from fertkit.reference.crops import load_crops

#: Where the slider of a price ends, by the unit of mass that is priced; any currency can be typed.
USUAL_PRICE = {
    "lb": 2.0, "kg": 5.0, "oz": 0.4, "g": 0.4, "bu": 16.0, "cwt": 40.0, "q": 80.0, "t": 800.0,
    "Mg": 800.0, "ton": 800.0,
}  # fmt: skip
LARGEST_PRICE = 1_000_000
PLACEHOLDERS = "The prices are placeholders: enter your own."


def enter_prices(names) -> str:
    """Ask for the prices that another unit or crop left behind."""
    return f"enter the {' and the '.join(names)}; a price for another unit or crop is not carried over"


def crop_choice():
    """Offer the crops of which the trade moisture is known."""
    crops = load_crops()
    named = sorted(crops.loc[crops["trade_moisture_pct"].notna(), "crop"])
    return controls.choice("Crop", [("as in the file", ""), *((name, name) for name in named)])


class Priced:
    """The part of a panel that asks for prices, each labelled by the unit of the file."""

    def __init__(self, *args, **settings):
        self._priced = {}  # what each price was given for: unit, and nutrient, crop or nothing
        self._other = {}  # prices given for other units, nutrients and crops, should these come back
        super().__init__(*args, **settings)

    def price_by(self, kinds: dict, labels: dict) -> None:
        """Ask for prices of these kinds, (unit, of what), under these labels."""
        for key, label in labels.items():
            controls.relabel(self.controls[key], label, LARGEST_PRICE, USUAL_PRICE.get(kinds[key][0]))
        self._drop_other_prices(kinds)

    def _drop_other_prices(self, kinds) -> None:
        """Put prices aside that were given for another unit, nutrient or crop than the file's."""
        for key, (unit, of) in self._priced.items():
            if key not in kinds:
                continue
            if unit != kinds[key][0] or (of and kinds[key][1] and of != kinds[key][1]):
                self._other[key, unit, of] = self.controls[key].value
                self.controls[key].value = 0.0
            if not self.controls[key].value:
                self.controls[key].value = self._other.get((key, *kinds[key]), 0.0)
        self._priced = self._priced | kinds


class AsksForGroups:
    """The part of a panel that asks which column is a second factor, where a file needs to be told.

    It has a control `by`, and `_read_as`, which reads a file with columns by role.
    """

    def _would_do(self, content, name):
        """Also where a column may be a second factor: the file can be read once it is set aside."""
        self._doubt = ""
        if super()._would_do(content, name):
            return True
        try:
            self._read(content, name)
        except InputError as error:
            # but for what looks like the blocks, which nobody compares by
            doubt = [
                one.column
                for one in error.problems
                if one.column and not one.in_code.startswith(say_column("block", one.column))
            ]
            with suppress(FertkitError, IndexError):
                self._read_as(BytesIO(content), name, {OTHER: doubt})
                self._doubt = doubt[0]
        return bool(self._doubt)

    def _ask_for_telling(self, content, name):
        if not self._doubt:
            super()._ask_for_telling(content, name)
        with suppress(FertkitError):  # which asks for the crop
            super()._ask_for_telling(content, name)
        label = self.controls["by"].description
        raise FertkitError(
            f"{name}: rows of one rate differ in '{self._doubt}'. Type that name under '{label}' for "
            "a curve of each, or remove the column from the file if it is only a remark"
        )
