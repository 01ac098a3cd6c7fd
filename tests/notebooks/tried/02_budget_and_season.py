panel.set(crop="corn", yield_goal=210)
assert panel.error is None, panel.error
corn = panel.result.defaults.set_index("nutrient")["uptake"]
panel.set(yield_goal=105)
assert abs(panel.result.defaults.set_index("nutrient")["uptake"]["N"] / corn["N"] - 0.5) < 1e-9
panel.set(question="season")
assert panel.result.nutrients
panel.start_over()
