"""Points of a combine's log on their way to strips: what was applied there, which count, where strips lie."""

from dataclasses import replace

import numpy as np
import pandas as pd

from fertkit.errors import Note, NotEstimable
from fertkit.results import counted, plain
from fertkit.rounding import below
from fertkit.trials import places
from fertkit.trials.points import NO_RULES, CleaningRules, clean_points
from fertkit.trials.strip_means import sums_of

#: Ends of the header are looked at this far from its middle [header widths]: a seventh may lie on other
#: ground. A pass further than 30 degrees from the line of the passes runs across them. Zones at most. Rates
#: span at least this share of the highest. A polygon of so many points is a strip, one of fewer a part of it.
#: Points without a rate of which more are pointed out. (Common practice, no source)
HEADER_END, ACROSS, MOST_ZONES, CONTRAST, WHOLE, BARE = 0.35, 0.866, 12, 0.1, 30, 0.03


class Strips:
    """The points of a log on their way to strips: which are still in play, and how many each step left out.

    Each step adds what it finds: `join` the feature and level of each point, `clean` nothing but the tally,
    `find_strips` the strips.
    """

    def __init__(self, cleaned, field, rules, remarks):
        self.table, self.field, self.rules, self.remarks = cleaned.points, field, rules, remarks
        self.column, self.moisture = cleaned.yield_column, cleaned.standard_moisture_pct
        self.alive = (self.table["removed_by"] == "").to_numpy()
        names = ["step", "rule", "removed", "removed_pct", "kept", "weighted_mean"]
        self.rows = cleaned.steps[names].to_dict("records")
        self.x, self.y = (self.table[c].to_numpy() for c in ("x_m", "y_m"))
        self.run, self.width = self.table["pass"].to_numpy(), float(self.table["width_m"].median())

    def drop(self, step, rule, out):
        """Leave points out, as flags of all."""
        before = int(self.alive.sum())
        self.alive = self.alive & ~out
        kept = int(self.alive.sum())
        if not kept:
            raise NotEstimable(f"no point is left after the step '{step}' ({rule})")
        value, area = (self.table[c].to_numpy()[self.alive] for c in (self.column, "area_m2"))
        self.rows.append({
            "step": step, "rule": rule, "removed": before - kept,
            "removed_pct": 100 * (before - kept) / len(self.table), "kept": kept,
            "weighted_mean": value @ area / area.sum(),
        })  # fmt: skip

    def cover(self, reach, elsewhere):
        """Settle how far records count, the line of the passes, and the ground that the map covers."""
        field = self.field
        if field.at is not None and reach is None:
            reach = places.usual_reach(field.at)
            self.remarks.append(
                f"as-applied records count up to {plain(reach)} m, just over half the pass spacing"
            )
        self.reach, self.elsewhere = reach, elsewhere
        self.heading = places.headings(self.x, self.y, self.run)
        corners = corners_of(field) @ [1, 1j]
        corners = corners[np.isfinite(corners)]
        near = self.alive & (self.x >= corners.real.min()) & (self.x <= corners.real.max())
        near &= (self.y >= corners.imag.min()) & (self.y <= corners.imag.max())
        self.line = places.main_line(self.heading[near])
        corners = corners * np.conj(self.line)
        self.box = [(part.min(), part.max()) for part in (corners.real, corners.imag)]
        if elsewhere is not None and "rate" in field.own:
            rest = pd.DataFrame({"rate": [float(elsewhere)], "planned": [float(elsewhere)]})
            own = pd.concat([field.own, rest[[c for c in rest if c in field.own]]], ignore_index=True)
            at = None if field.at is None else np.vstack([field.at, [np.nan, np.nan]])
            self.field = replace(field, own=own, at=at, parts=field.parts and [*field.parts, []])

    def _covered(self, x, y):
        """Whether places lie on the ground that the map covers."""
        place = (x + 1j * y) * np.conj(self.line)
        (west, east), (south, north) = self.box
        along, across = place.real, place.imag
        return (along >= west) & (along <= east) & (across >= south) & (across <= north)

    def _feature(self, x, y):
        """Feature at places; where there is none the last one, if that stands for the rest."""
        found = places.feature_at(x, y, self.field, self.reach)
        if self.elsewhere is None:
            return found
        return np.where((found == -1) & self._covered(x, y), len(self.field.own) - 1, found)

    def join(self):
        """Give each point what was applied there; leave out where it is not one rate."""
        on = np.flatnonzero(self.alive)
        self.feature = np.full(len(self.x), -1)
        self.feature[on] = self._feature(self.x[on], self.y[on])
        field, reach = self.field, self.reach
        if not (self.feature >= 0).any():
            raise NotEstimable(_no_overlap(field, self.x[on], self.y[on]))
        bare = (self.feature[on] == -1) & self._covered(self.x[on], self.y[on])
        if bare.mean() > BARE:
            self.remarks.append(
                Note(f"{bare.sum()} points lie where the map has no rate; if nothing was applied there, "
                     "count them as 0", "--elsewhere 0")
            )  # fmt: skip
        where = "polygon" if field.at is None else f"record within {plain(reach)} m"
        self.drop("outside", f"no as-applied {where}", self.feature == -1)
        self.drop("twice", "in two polygons", self.feature == -2)
        self.levels, level = levels_of(field, self.feature[self.alive])
        level = np.append(level, -1)  # of a point without a feature
        self.level = level[np.maximum(self.feature, -1)]
        self.drop("between rates", "rate missing or not one of those tested", self.level < 0)
        aligned = np.abs((self.heading * np.conj(self.line)).real)
        self.drop("headlands", "driven across strips", aligned < ACROSS)
        self._drop_mixed(np.where(np.isfinite(self.heading), self.heading, self.line), level)

    def _drop_mixed(self, heading, level):
        """Leave out records whose header, or whose grain, came from two rates."""
        on, out = np.flatnonzero(self.alive), np.zeros(len(self.x), dtype=bool)
        for side in (1j, -1j):
            end = (self.x + 1j * self.y + side * heading * self.width * HEADER_END)[on]
            other = self._feature(end.real, end.imag)
            out[on] |= (other >= 0) & (level[other] != self.level[on])
        share = 50 - 100 * HEADER_END
        self.drop("two rates", f"more than {share:.0f}% of the header on another rate", out)
        along = np.cumsum(np.nan_to_num(self.table["distance_m"].to_numpy()))
        on, out = np.flatnonzero(self.alive), np.zeros(len(self.x), dtype=bool)
        edge = self.rules.edge_m or 0.0
        out[on] = places.near_change(self.level[on], self.run[on], along[on], edge)
        self.drop("change of rate", f"within {edge:g} m of another rate on the same pass", out)

    def clean(self, points):
        """Leave out outliers, overlaps and short pieces, by yields about the middle of their rate."""
        value = self.table[self.column].where(self.alive)
        usual = value.groupby(self.level).transform("median")
        table = self.table.drop(columns="removed_by").assign(**{self.column: value - usual + value.median()})
        names = ("global_sd", "overlap", "local_significance", "shortest", "neighbours", "reach")
        late = replace(NO_RULES, **{name: getattr(self.rules, name) for name in names})
        cleaned = clean_points(replace(points, points=table), late)
        for step in cleaned.steps.iloc[2:].itertuples():
            out = (cleaned.points["removed_by"] == step.step).to_numpy()
            self.drop(step.step, step.rule.replace("of the field", "of the points of its rate"), out)

    def find_strips(self):
        """Number the strips of the points, -1 for none."""
        on, least = np.flatnonzero(self.alive), CleaningRules().shortest
        own, level, feature = self.field.own.iloc[self.feature[on]], self.level[on], self.feature[on]
        given = [c for c in ("trial", "block") if c in own]
        keys = pd.DataFrame({"level": level, **{c: own[c].astype(str).to_numpy() for c in given}})
        self.named = "strip" in own and bool(given or own["strip"].nunique() > len(np.unique(level)))
        if self.named:
            keys["strip"] = own["strip"].astype(str).to_numpy()
        code = keys.groupby(list(keys), sort=False).ngroup().to_numpy()
        if not self.named:
            code = self._by_place(on, code, feature)
        self.strip = np.full(len(self.x), -1)
        self.strip[on] = code
        small = np.append(np.bincount(code) < least, False)
        self.drop("small strips", f"fewer than {least} points left in the strip", small[self.strip])
        self.strip[~self.alive] = -1
        self.strip[self.alive] = pd.factorize(self.strip[self.alive])[0]

    def _by_place(self, on, code, feature):
        place = (self.x[on] + 1j * self.y[on]) * np.conj(self.line)
        along, across = place.real, place.imag
        whole = self.field.at is None and np.median(np.bincount(feature)[np.unique(feature)]) >= WHOLE
        if whole:
            order = np.argsort(feature, kind="stable")
            out = np.empty(len(on), dtype=int)
            out[order] = places.strips_by_place(
                along[order], across[order], feature[order], code[order], self.width, beside=0.0
            )
            self.remarks.append("each polygon is a strip; polygons of one rate end to end are one")
            return out
        self.remarks.append("a strip is adjoining passes of one rate; gaps of lost points do not split it")
        strip = places.strips_by_place(along, across, self.run[on], code, self.width)
        strip, wider = places.split_wide(strip, across, self.width)
        if wider:
            self.remarks.append(
                f"{counted(wider, 'strip')} more than twice as wide as the others; if that is outside the "
                "trial, delete it from the map"
            )
        return strip

    def means(self) -> pd.DataFrame:
        """A row a strip."""
        on = self.strip >= 0
        part, code = self.table[on], self.strip[on]
        first = pd.DataFrame({"code": code, "feature": self.feature[on], "level": self.level[on]})
        first = first.groupby("code").first()
        own = self.field.own.iloc[first["feature"]].reset_index(drop=True)
        level, n = first["level"], len(first)
        if level.value_counts().max() < 2:
            raise NotEstimable(
                f"each rate has one strip ({counted(n, 'strip')} in all): differences between rates and "
                "strips cannot be separated; use two or more strips of a rate"
            )
        table = pd.DataFrame({"trial": own["trial"]} if "trial" in own else {}, index=range(n))
        block = own["block"] if "block" in own else self._blocks(code, level.to_numpy())
        if block is not None:
            table["block"] = block
        table["strip"] = own["strip"].astype(str) if self.named else np.arange(1, n + 1)
        if "rate" in own:
            rate, area = self.field.own["rate"].to_numpy(float)[self.feature[on]], part["area_m2"].to_numpy()
            total = np.bincount(code, area)
            mean = np.bincount(code, rate * area) / total
            table["rate"], table["planned"] = mean, np.array(self.levels)[level]
            table["rate_sd"] = np.sqrt(np.bincount(code, (rate - mean[code]) ** 2 * area) / total)
        else:
            table["treatment"] = np.array(self.levels, dtype=object)[level]
        return pd.concat([table, sums_of(part, code, self.column, self.moisture, n)], axis=1)

    def _blocks(self, code, level):
        """Blocks from where the strips lie."""
        on = self.strip >= 0
        place = (self.x[on] + 1j * self.y[on]) * np.conj(self.line)
        at = pd.DataFrame({"along": place.real, "across": place.imag}).groupby(code)
        middle, length = at.mean(), (at["along"].max() - at["along"].min()).to_numpy()
        block = places.blocks_by_place(*(middle[c].to_numpy() for c in middle), length, level, self.width)
        self.remarks.append(
            "no blocks: strips of all rates never lie together" if block is None else
            f"{counted(block.max(), 'block')} from strip positions: across the field, a new block begins "
            "where a rate repeats"
        )  # fmt: skip
        # Numbered as their strips are, so that strip 1 lies in block 1.
        return None if block is None else pd.factorize(block)[0] + 1

    def means_by_zone(self, table, zoned) -> pd.DataFrame | None:
        """A row a strip and zone; None where zones are not asked for."""
        zone = self._zones(zoned)
        if zone is None:
            return None
        on = (self.strip >= 0) & zone.notna().to_numpy()
        which, names = pd.factorize(zone[on], sort=True)
        if not 2 <= len(names) <= MOST_ZONES:
            raise NotEstimable(
                f"the strips lie in {counted(len(names), 'zone')}; compare 2 to {MOST_ZONES} zones; group "
                "values into classes first"
            )
        n, code = len(table) * len(names), self.strip[on] * len(names) + which
        parts = table.iloc[np.repeat(np.arange(len(table)), len(names))].reset_index(drop=True)
        parts = parts.assign(**sums_of(self.table[on], code, self.column, self.moisture, n),
                             whole=parts["strip"], zone=np.tile(names, len(table)))  # fmt: skip
        enough = parts["points"] >= CleaningRules().shortest
        lost = int((parts["points"] > 0).sum() - enough.sum())
        if lost:
            self.remarks.append(f"{counted(lost, 'part')} of strips in a zone with too few points left out")
        parts = parts[enough].reset_index(drop=True)
        return parts.assign(strip=[f"{s} in {z}" for s, z in zip(parts["whole"], parts["zone"], strict=True)])

    def _zones(self, zoned):
        """Zone of each point, missing outside; None where zones are not asked for."""
        if zoned is not None:
            at = places.feature_at(self.x, self.y, zoned, None)
            if not (at[self.strip >= 0] >= 0).any():
                raise NotEstimable(f"no strip lies in a zone of {zoned.name}; same field?")
            return zoned.own["zone"].reindex(at).reset_index(drop=True)
        if "zone" in self.table:
            return self.table["zone"].reset_index(drop=True)
        own = self.field.own
        return own["zone"].reindex(self.feature).reset_index(drop=True) if "zone" in own else None


def corners_of(field):
    """Places of the records, or corners of the polygons."""
    return (
        field.at if field.at is not None else np.concatenate([r for p in field.parts for q in p for r in q])
    )


def _no_overlap(field, x, y) -> str:
    apart = np.nanmean(corners_of(field), axis=0) - [np.nanmean(x), np.nanmean(y)]
    return (
        f"log and map do not overlap: the middle of {field.name} lies {plain(np.hypot(*apart) / 1000)} km "
        "from that of the log; same field? Longitude and latitude swapped?"
    )


def levels_of(field, feature):
    """What was meant: rates, or names of treatments, and which of them each feature has (-1 none)."""
    own = field.own
    if "rate" not in own:
        code, names = pd.factorize(own["treatment"].astype("string").str.strip(), sort=True)
        return list(names), code
    applied = own["rate"].to_numpy(float)
    planned = own["planned"].to_numpy(float) if "planned" in own else None
    meant = (applied if planned is None else planned)[feature]
    if not np.isfinite(meant).any():
        raise NotEstimable(f"no harvest point lies on a rate of {field.name}")
    levels = places.find_levels(meant[np.isfinite(meant)])
    code = places.level_of(applied, levels)
    if planned is not None:  # where the machine left the plan, the strip is not what it is called
        code = np.where(places.level_of(planned, levels) == code, code, -1)
    if len(levels) < 2 or below(np.ptp(levels), CONTRAST * np.abs(levels).max()):
        to = f" to {plain(levels.max())}" if len(levels) > 1 else " alone"
        raise NotEstimable(
            f"no contrast: {plain(levels.min())}{to} was applied wherever harvest points lie; a response "
            "needs strips of different rates"
        )
    return levels.tolist(), code
