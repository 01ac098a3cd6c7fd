assert set(short["nutrient"]) == {"S"}
assert list(short["sample_id"]) == ["Ferry Flat poor"]
sure.guess("90")
assert sure.error is None, sure.error
assert sure.result.answer == 100 * chance
sure.own["sulfur"].value = 0.3
sure.guess("5")
assert sure.result.answer < 5
cost.guess("20")
assert cost.result.answer == 15.2  # 1.9 x 16 / 2, by the table of the simulation
assert 15.2 in cost.result.between
returns.guess("50")
assert abs(returns.result.answer - (15.2 * 4.50 - 16 * 0.50)) < 1e-9
leaves.set(sample="Ferry Flat poor")
panel.set(trial="Bramble Rise S")
for one in (leaves, panel):
    assert one.error is None, one.error
