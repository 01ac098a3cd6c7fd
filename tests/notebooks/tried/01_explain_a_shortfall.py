first = panel.data.table["sample_id"].astype(str).iloc[0]
panel.set(sample=first, cv_pct=5)
assert panel.error is None, panel.error
assert first in panel.message()
assert "<svg" in panel._sheet.svg().decode()
