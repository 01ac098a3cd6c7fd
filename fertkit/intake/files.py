"""The opener of user tables, as the readers of this floor know it; it stands below, in `fertkit.tables`."""

from fertkit.tables import RawTable, open_table, open_tables, text_of, whole

__all__ = ["RawTable", "open_table", "open_tables", "text_of", "whole"]
