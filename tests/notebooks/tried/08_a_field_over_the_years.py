panel.set(same="Heron Qtr=Heron Quarter")
panel.set(field="Heron Quarter")
assert panel.error is None, panel.error
assert "K (poor area) short in 3 of 3 seasons judged" in panel.message()
panel.set(seasons=panel.controls["seasons"].options[-1][1])
assert "<svg" in panel._sheet.svg().decode()
