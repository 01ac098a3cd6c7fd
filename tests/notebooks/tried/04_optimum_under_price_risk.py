before = panel.result.optimum.rate
panel.controls["nutrient_price"].value = 2 * PRICES.nutrient
assert panel.error is None, panel.error
assert panel.result.optimum.rate <= before
panel.set(nutrient_price=PRICES.nutrient, curve="quadratic_plateau")
assert panel.error is None, panel.error
