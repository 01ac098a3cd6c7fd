before = panel.power.difference_pct
panel.controls["blocks"].value = panel.settings.blocks + 2
assert panel.error is None, panel.error
assert panel.power.difference_pct < before
panel.work_out.click()
assert panel.error is None, panel.error
panel.set(rates="usual, double")
assert panel.error is None, panel.error
panel.set(rates="0, 40, 80", blocks=1)
assert panel.error is None, panel.error
assert panel.power is None  # one block has no error to judge a difference by
power, field = (place.value for place, _ in panel._below)
assert "No table for this plan: choose randomised blocks, two or more." in power
assert "Randomised complete blocks: 3 treatments x 1" in field
panel.set(blocks=2)
assert "smallest difference [% of the mean]" in panel._below[0][0].value
