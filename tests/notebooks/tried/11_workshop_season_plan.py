labels = " ".join(control.description for control in panel.controls.values())
assert "K2O policy" in labels  # as question 4 names it
assert "Spending limit for the season" in labels
assert "replace removal" in dict(panel.controls["k2o"].options)
need.guess("80")
assert need.error is None, need.error
assert abs(need.result.answer - heron.rate_lb_ac) < 0.5
need.own["test"].value = 200.0  # at or above 170 ppm nothing
need.guess("80")
assert need.result.answer == 0
cost.guess("100")
assert (
    cost.result.answer == panel.result.plan.passes.cost / 537
)  # acres of the farm: datasets_demo/plan_fields.csv
untested.guess("40")
assert untested.error is None, untested.error
assert untested.result.answer == wren_piece["removal_lb_ac"].iloc[0]
assert set(name[more]) == {"Otter Bottom", "Bramble Rise", "Sedge Corner"}
assert where == "Heron Quarter west"
panel.set(spending_limit=round(plan.passes.cost / 2))
assert panel.error is None, panel.error
lacks = {line.label for line in panel.result.lines() if line.label.startswith("Short of")}
assert lacks == {"Short of P2O5", "Short of K2O"}
applied = panel.result.plan.doses.groupby("nutrient")["applied"].sum()
assert applied.get("K2O", 0) == 0
