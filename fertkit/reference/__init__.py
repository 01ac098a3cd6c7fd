"""Published values, one CSV file per publication, read through one checked schema.

Each row keeps where it came from: ``source_key`` (see `list_sources`, `cite`), ``provenance`` (found in the
source, derived from it, or from_memory) and ``confidence``. Rows of low confidence are not carried.
"""

from fertkit.reference.crops import (
    base_crop,
    bushel_lb,
    crop_name,
    load_crops,
    load_stages,
    nitrogen_note,
    trade_moisture_pct,
    unknown_crops,
)
from fertkit.reference.load import cite, list_sources, load_ranges, load_table
from fertkit.reference.schema import NUTRIENTS, SCHEMAS, check_table
from fertkit.reference.text_tables import read_text_table
from fertkit.reference.words import glossary, list_limits

__all__ = [
    "NUTRIENTS",
    "SCHEMAS",
    "base_crop",
    "bushel_lb",
    "check_table",
    "cite",
    "crop_name",
    "glossary",
    "list_limits",
    "list_sources",
    "load_crops",
    "load_ranges",
    "load_stages",
    "load_table",
    "nitrogen_note",
    "read_text_table",
    "trade_moisture_pct",
    "unknown_crops",
]
