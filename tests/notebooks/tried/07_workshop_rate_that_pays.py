letters = ferry.means.set_index("treatment")["letters"]
assert not set(letters[8]) & set(letters[16])
assert set(letters[16]) & set(letters[32])
assert rise.means["letters"].nunique() == 1
assert any("Tukey's honestly significant difference" in line.text for line in panel.result.lines())
gap.guess("10")
assert gap.error is None, gap.error
assert gap.result.answer == max(ferry.apart)
pays.guess("20")
assert pays.error is None, pays.error
assert round(pays.result.answer, 3) == 15.064  # 16 (1 - (0.50 / 4.50) / 1.9)
assert 15.064 in pays.result.between
pays.own["nutrient_price"].value = 1.0
pays.guess("20")
assert round(pays.result.answer, 3) == 14.129  # 16 (1 - (1.00 / 4.50) / 1.9)
even.guess("-1")
assert even.result.answer == 0
assert 0 in even.result.between
both.guess(
    "20"
)  # the curve rises by 1.9 (15 - 15 ** 2 / 32) at 15 lb on one field and not at all on the other
assert abs(both.result.answer - (1.9 * (15 - 15**2 / 32) / 2 * 4.50 - 15 * 0.50)) < 1e-9
money.set(trial="Bramble Rise S")
assert money.result.optimum.status == bramble.optimum.status == "no economic response"
assert bramble.optimum.rate == 0
