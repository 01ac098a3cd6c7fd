panel.set(method="cnd", yield_column=YIELDS, cutoff=HIGH)
assert panel.error is None, panel.error
assert (panel.answer.norms.table["n"] > 10).all()
panel.set(method="dop", optimum="N=2.9; K=2.1")
assert set(panel.answer.table["nutrient"]) == {"N", "K"}
assert shoots.error is None, shoots.error
