price = panel.settings.grain_price
for name in panel.example.options:
    panel.example.value = name[0] if isinstance(name, tuple) else name
    assert panel.error is None, panel.error
    panel.controls["grain_price"].value = 2 * price
    assert panel.error is None, panel.error
    assert panel.answer.sections
panel.controls["against"].value = "100; 150"
assert panel.answer.pooled.against["over"].tolist() == [100, 150]
panel.start_over()
assert panel.error is None, panel.error
