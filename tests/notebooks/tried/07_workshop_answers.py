short = scores.shortfalls
assert set(short["nutrient"]) == {"S"}
assert row.probability_below > 0.975
assert means.loc[8, "letters"] != means.loc[16, "letters"]
assert flat.optimum.status == "no economic response"
panel.set(trial="Bramble Rise S")
assert panel.result.optimum.status == "no economic response"
panel.start_over()
assert optimum_text(panel.result.optimum) == once
