for one in (leaves, panel, money):
    assert one.error is None, one.error
leaves.set(sample=leaves.controls["sample"].options[1][1])
panel.controls["trial"].value = panel.controls["trial"].options[-1]
money.controls["nutrient_price"].value = 2 * PRICES.nutrient
for one in (leaves, panel, money):
    assert one.error is None, one.error
    one.start_over()
