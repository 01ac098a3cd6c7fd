"""A user's files → tidy, checked tables; every problem of a file is told at once.

Method
------
* `read_tissue` takes a laboratory's file as it comes: wide, long or transposed, one or two header rows,
  unit in the header, the row or nowhere, decimal commas, thousands, limits (``<0.05``), missing codes and
  flags. A unit that is stated is obeyed; one that is missing is inferred from all macronutrients
  together, and that is said. Fresh weight, sap and oxide columns are refused.
* `read_strips` takes a sheet of strips, long or wide: block, rate or treatment, yield or weight and size,
  and moisture; yields are brought to trade moisture, rates of a product to those of its nutrient. Means and
  remarks are set aside, merged cells filled down, parts of a strip averaged; a second factor is refused.
* `read_points` takes a yield monitor's log and computes yields from flow, distance, width and moisture.
* `read_soil` takes a laboratory's soil tests in the same shapes; extractant, unit and layer are obeyed where
  stated and asked for where not. Points are averaged by field, zone and sampling.
* `read_shed` takes a list of products (analysis, price, stock, limits) and of passes.
* Nothing is guessed silently: what was read otherwise than it stands is a row of the result's notes, and
  what cannot be used raises `fertkit.errors.InputError` naming row, column, value and remedy.

Examples
--------
>>> from fertkit.intake import read_strips
>>> from io import StringIO
>>> sheet = "block,rate lb/ac,yield bu/ac\\n1,0,48.1\\n1,sixty,55.0\\n"
>>> try:
...     read_strips(StringIO(sheet), name="strips.csv")
... except Exception as error:
...     print(str(error).splitlines()[0])
strips.csv: 1 problem to fix
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "strips": ["read_strips"],
        "leaf": ["read_tissue"],
        "points": ["read_points"],
        "soil": ["read_soil"],
        "shed": ["read_shed"],
    },
)
