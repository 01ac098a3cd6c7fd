before = panel.result.lsd
panel.set(level=0.80)
assert panel.error is None, panel.error
assert not panel.result.lsd >= before
placed = not panel.strips.table["strip"].astype(str).str.startswith("row").any()
panel.set(model="random", trend=placed)  # a trend needs the place of each strip
assert panel.error is None, panel.error
