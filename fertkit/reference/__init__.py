"""Published values, one CSV file per publication, read through one checked schema.

Each row keeps where it came from: ``source_key`` (see `list_sources`, `cite`), ``provenance`` (found in the
source, derived from it, or from_memory) and ``confidence``. Rows of low confidence are not carried.

Method
------
* A value is shown with its source key; `cite` gives the publication. A remembered value says
  ``from_memory`` wherever it is shown, a trade rule "common practice, no source".
* `load_table` gives one kind (ranges, removal, uptake, timing, soil_tests, products, ...); a table of
  your own goes through the same schema, and all of its problems are told at once.
* `load_ranges` takes sufficiency ranges of your own state or laboratory in place of the bundled ones.
* `glossary` explains the trade's terms; `list_limits` says what the kit cannot know.

Examples
--------
Potassium that leaves with a bushel of soybeans, as the sources have it [lb K2O/bu]:

>>> from fertkit.reference import glossary, load_table
>>> table = load_table("removal", crop="soybean")
>>> potash = table[(table["nutrient"] == "K2O") & (table["unit"] == "lb/bu")]
>>> len(potash["source_key"].unique()) > 5  # they differ; see list_limits("budget")
True
>>> glossary("oxide form")["see"].tolist()
['budget.nutrient_budget']
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "crops": ["load_crops", "load_stages"],
        "load": ["cite", "list_sources", "load_ranges", "load_table"],
        "words": ["glossary", "list_limits"],
    },
)
