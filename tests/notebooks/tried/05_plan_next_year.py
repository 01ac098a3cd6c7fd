before = panel.power.difference_pct
panel.controls["blocks"].value = panel.settings.blocks + 2
assert panel.error is None, panel.error
assert panel.power.difference_pct < before
panel.work_out.click()
assert panel.error is None, panel.error
panel.set(rates="usual, double")
assert panel.error is None, panel.error
