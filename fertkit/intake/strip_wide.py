"""Wide strip sheets (rates across and blocks down, or the reverse) → one line a strip."""


def lengthen(sheet, raw, columns, units):
    return sheet
