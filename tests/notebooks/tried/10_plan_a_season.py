cost = panel.result.plan.passes.cost
panel.set(spending_limit=round(cost / 2), k2o="removal")
assert panel.error is None, panel.error
assert panel.result.plan.passes.cost <= cost / 2 + 1
