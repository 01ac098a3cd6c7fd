panel.set(crop="corn", yield_goal=210)
assert panel.error is None, panel.error
corn = panel.result.defaults.set_index("nutrient")["uptake"]
panel.set(yield_goal=105)
assert abs(panel.result.defaults.set_index("nutrient")["uptake"]["N"] / corn["N"] - 0.5) < 1e-9
panel.set(question="season")
assert panel.result.nutrients

short = supply.result.gaps["gap_at_end"].iloc[0]
supply.set(late=supply.settings.late + short + 1, delay=0)
assert supply.result.gaps["gap_at_end"].max() <= 0
acres = farm.result.table["value"]
farm.set(unit="kg/ha")
assert farm.error is None
assert len(farm.result.table) == len(acres)
