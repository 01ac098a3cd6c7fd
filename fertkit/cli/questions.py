"""What can be asked on the command line: the questions and their options."""

from fertkit.cli import answers, strips
from fertkit.cli.options import (
    CAP,
    DECIMAL,
    FILE,
    LABORATORY_FILE,
    LEAF_FILE,
    LIMIT,
    OF_LEAVES,
    POLICY,
    PRICES,
    SEVERAL,
    STRIP_FILE,
    STUDIES,
    WRITTEN,
    a_cost,
    a_length,
    a_number,
    a_price,
    a_share,
    a_span,
    ab_line,
    ask,
    optima,
    treatment_names,
    two_names,
)


def add_questions(commands):
    """Add all questions, in the order in which the help lists them."""
    ask(
        commands, "field", answers.run_field,
        "answer for a field from any of goal, leaf tests, soil tests and strips, with a sheet for the grower",
        "field --crop soybean --goal 60 --leaf leaf_tests.csv --strips soybean_k_strips.csv "
        "--nutrient-price 0.45 --grain-price 11 --page field.html",
        "--crop", "--goal", "--goal-unit", "--unit", "--leaf", "--stage", "--part", *STUDIES, "--ranges",
        "--soil", "--field", "--fact", "--strips", *STRIP_FILE, *PRICES, "--currency", "--words", *WRITTEN,
        source=SEVERAL,
        crop={"help": "crop, e.g. soybean, corn, wheat; where the laboratory file does not say, or one of "
              "its crops"},
        goal={"type": a_number, "metavar": "YIELD", "help": "yield goal [--goal-unit]"},
        leaf={**FILE, "help": LABORATORY_FILE},
        soil={**FILE, "help": "laboratory file of soil tests"},
        strips={**FILE, "help": "strip file: block, rate, yield, ...; needs both prices"},
        sheet={"help": "sheet of a workbook of strips"},
        nutrient_price={"required": False}, grain_price={"required": False},
        page={"help": "page to write (default field.html); of several fields the folder of their pages "
              "(default fields)"},
    )  # fmt: skip
    ask(
        commands, "needs", answers.run_needs,
        "what a crop takes up, what is removed with the harvest and what stays, by source",
        "needs soybean 80 bu/ac",
        "crop", "goal", "--goal-unit", "--unit", "--part", "--baled", *STUDIES, "--table",
        goal={"type": a_number, "metavar": "YIELD", "help": "yield goal [--goal-unit]"},
        part={"help": "harvested part, where it is not the usual one, e.g. silage"},
        baled={"type": a_share, "metavar": "SHARE",
               "help": "share of the straw or stover that is baled, 0 to 1 or a percent (default: 0)"},
        source=SEVERAL,
    )  # fmt: skip
    ask(
        commands, "farm", answers.run_farm, "needs and removal of every field of a farm, by crop and in all",
        "farm fields.csv --page farm.html",
        "file", "--unit", "--area-unit", "--yield-unit", *STUDIES, *WRITTEN, source=SEVERAL,
        file={**FILE, "help": "a line per field: crop, area_ac, yield_goal_bu_ac; optional field, residue"},
        unit={"help": "unit of the amounts (default: as the area, acre or hectare)"},
        area_unit={"choices": ["ac", "ha"], "help": "unit of the areas, where the file does not say"},
        yield_unit={"help": "unit of the yield goals, where the file does not say"},
    )  # fmt: skip
    ask(
        commands, "plan", answers.run_plan,
        "plan a season for a farm: rates from soil tests and goals, products, passes, cost, what is left",
        "plan fields.csv --soil soil.csv --shed shed.csv --passes passes.csv --policy N=165 --page plan.html",
        "fields", "--soil", "--shed", "--passes", "--policy", "--cap", "--credits", "--trials",
        "--spending-limit", *STUDIES, "--currency", *WRITTEN, "--orders", "--map", "--unit", "--extractant",
        "--soil-units", "--depth-in", "--dates", source=SEVERAL,
        fields={**FILE, "help": "a line per field, zone and year: field, crop, area_ac, yield_goal_bu_ac; "
                "optional zone, year, residue, previous_crop, manure; or a workbook with sheets of "
                "fields, soil, shed and passes"},
        soil={**FILE, "help": "soil laboratory's file; without a test a field gets what is removed"},
        shed={**FILE, "help": "products on hand or on offer: product, price, optional on hand, lot, "
              "analysis; without it the plan ends at rates"},
        passes={**FILE, "help": "passes of the year: pass, method, cost an acre, earliest, latest (default: "
                "the usual ones, without a cost)"},
        policy={**POLICY, "help": POLICY["help"].replace("[lb/ac]", "[--unit]")},
        cap={**CAP, "help": CAP["help"].replace("[lb/ac]", "[--unit]")},
        unit={"help": "unit of the amounts, and of the rates that are asked (default: as the area, acre or "
              "hectare)"},
        credits={**FILE, "help": "table of credits: field, nutrient, kind, low_lb_ac, high_lb_ac"},
        trials={**FILE, "help": "optimum rates of own trials: field, nutrient, low, rate, high [--unit]"},
        spending_limit=LIMIT,
        orders={**FILE, "metavar": "FOLDER", "help": "also write one CSV a pass: what goes on each field"},
        extractant={"help": "how P and K of the soil report were extracted, if it does not say: Mehlich-3, "
                    "or P=Olsen,K=ammonium acetate"},
        soil_units={"help": "unit of soil tests without one: ppm, or P=lb/ac,K=ppm"},
        depth_in={"type": a_number, "metavar": "IN", "help": "sampling depth [in], if the report is silent"},
        dates={"help": "order of dates of the soil report: dmy, mdy or ymd"},
        map={**FILE, "help": "outlines of fields and zones (GeoJSON): orders are written as GeoJSON too"},
    )  # fmt: skip
    ask(
        commands, "leaf", answers.run_leaf,
        "score leaf tests against published sufficiency ranges and explain what is short",
        "leaf leaf_tests.csv --crop soybean",
        "file", "--crop", "--stage", "--part", *STUDIES, "--ranges", *LEAF_FILE, "--sheet", "--field",
        "--fact", "--words", *WRITTEN, file={**FILE, "help": LABORATORY_FILE}, source=SEVERAL, **OF_LEAVES,
        page={"help": "also write a page with a sheet for the grower (HTML); of several fields the folder of "
              "their pages"},
    )  # fmt: skip
    ask(
        commands, "history", answers.run_history,
        "follow fields through leaf reports of several dates, crops and years: what repeats, what changed",
        "history reports/ --page history.html",
        "reports", "--field", "--same", "--crop", "--stage", "--part", *STUDIES, "--ranges", *LEAF_FILE,
        *WRITTEN, source=SEVERAL, **OF_LEAVES,
        reports={**FILE, "nargs": "+", "metavar": "FOLDER_OR_FILE",
                 "help": "folder, workbook or table of laboratory reports; several may follow each other"},
        field={"metavar": "NAME", "help": "this field only"},
        same={"type": two_names, "action": "append", "default": [], "metavar": "SPELLING=FIELD",
              "help": "what a spelling of a field's name means, as in \"Heron Qtr=Heron Quarter\"; a name "
              "that means itself is a field of its own; repeatable"},
    )  # fmt: skip
    ask(
        commands, "balance", answers.run_balance,
        "nutrients against each other: ratios, order of need by DRIS, CND or an optimum of your own, "
        "nitrogen against growth",
        "balance leaf_yields.csv --method dris --yield-column \"Yield (bu/ac)\" --cutoff 200 "
        "--build-norms norms.csv",
        "file", "--method", "--norms", "--build-norms", "--yield-column", "--cutoff", "--optimum",
        "--formula", "--dry-matter", "--source", "--crop", "--stage", "--part", "--units", "--decimal",
        "--dates", "--sheet", *WRITTEN, **{name: OF_LEAVES[name] for name in ("units", "decimal", "dates")},
        file={**FILE, "help": f"{LABORATORY_FILE}; of --method dilution with a column like 'Biomass (t/ha)'"},
        method={"choices": ["ratios", "dris", "cnd", "dop", "dilution"], "default": "ratios",
                "help": "ratios with their published limits (default); dris or cnd against norms; dop "
                "against an optimum; dilution: whole-shoot nitrogen against shoot dry matter"},
        norms={**FILE, "help": "norms of your own (dris, cnd) instead of the bundled ones, which are few"},
        build_norms={**FILE, "metavar": "OUT",
                     "help": "build norms from the samples of this file that yielded --cutoff or more, "
                     "and write them to this CSV file"},
        yield_column={"metavar": "NAME", "help": "column of the file that holds the yields"},
        cutoff={"type": a_number, "metavar": "YIELD", "help": "yield from which a sample counts as high"},
        optimum={"type": optima, "default": {}, "metavar": "N=2.9,K=2.1",
                 "help": "optimum concentrations for dop: %% for N, P, K, Ca, Mg, S, mg/kg for the others"},
        formula={"choices": ["beaufils", "jones", "elwali_gascho"], "default": "beaufils",
                 "help": "function of a ratio in dris (default beaufils)"},
        dry_matter={"action": "store_true", "help": "dris: ratios with dry matter too (N/DM)"},
    )  # fmt: skip
    ask(
        commands, "strips", strips.run_strips,
        "fit response curves to a strip trial and find the economic optimum rate, or compare treatments",
        "strips soybean_k_strips.csv --crop soybean --nutrient-price 0.45 --grain-price 11",
        "file", "--crop", *STRIP_FILE, *PRICES, "--trial", "--together", "--with", "--new-site",
        *WRITTEN, "--within", "--price-swing", "--currency", "--against", "--robust", "--uneven", "--rates",
        "--paper", "--by", "--log", "--zones", "--delay", "--reach", "--header-width", "--utm", "--elsewhere",
        "--surface", "--design", "--check", "--letters", "--cost", "--no-worse-than",
        paper={**FILE, "metavar": "FOLDER",
               "help": "also write what a paper needs: methods with citations, tables, figures (SVG, PDF) at "
               "85 and 170 mm, and a script that asks again"},
        by={"metavar": "HEADER", "help": "column of a second factor or of zones (hybrid, timing, tillage): "
            "the curve and optimum of each, and whether a rate for each is worth it"},
        surface={
            "help": "of a trial of several nutrients: its curve in each, quadratic or square_root "
            "(default: the one that fits better)",
        },
        nutrient_price={
            "type": a_price, "help": "price of a unit of the nutrient, in the rate's unit of mass (per lb "
            "for lb/ac, ...); of a trial of several nutrients one for each, as in N=0.5,P2O5=0.6",
            "required": False,
        },
        rates={**FILE, "help": "also write the optimum rates to a CSV that fertkit plan takes as --trials"},
        file={**FILE, "help": "strip file: trial, block, rate or treatment, yield, ...; with --log "
              "the map of what was applied: polygons or records (GeoJSON, shapefile, CSV)"},
        log={**FILE, "help": "log of the combine (CSV, GeoJSON, shapefile): strips are made of its points"},
        zones={"metavar": "FILE_OR_COLUMN", "help": "polygons of zones, or a column of the log or the map "
               "that names them: response by zone"},
        delay={"type": a_number, "metavar": "SECONDS",
               "help": "time from header to sensor (default: found from the log)"},
        reach={"type": a_number, "metavar": "M", "help": "distance to which a record of what was applied "
               "counts [m] (default: a little over half the way between its passes)"},
        header_width={"type": a_length, "metavar": "30ft",
                      "help": "header width, where the log has no column"},
        elsewhere={"type": a_number, "metavar": "RATE", "help": "rate on the ground the map covers where it "
                   "has no record, as 0"},
        utm={"metavar": "ZONE", "help": "UTM zone of coordinates in metres, as 15N"},
        grain_price={"required": False},
        design={
            "choices": ["blocks", "pairs", "split-plot", "strip-plot", "factorial", "augmented",
                        "near-checks"],
            "help": "compare the means by this design (default: what the columns tell; rates get a curve): "
            "split-plot, strip-plot and factorial need --column factor=HEADER or whole=HEADER; near-checks "
            "adjusts each strip by the checks beside it",
        },
        check={"metavar": "NAME", "help": "treatment that is the check (default: the one named so)"},
        letters={
            "choices": ["tukey", "holm", "protected", "lsd"], "default": "tukey",
            "help": "rule of the letters: Tukey (default), Holm, LSD after a significant F, or plain LSD",
        },
        cost={
            "type": a_cost, "action": "append", "default": [], "metavar": "NAME=COST",
            "help": "cost of a treatment per area, or its price times its rate, as in Product=0.45x30; with "
            "--grain-price the net return over the check; repeatable",
        },
        no_worse_than={
            "type": a_number, "metavar": "LOSS",
            "help": "ask whether each treatment yields no more than this less than the check, in the yield's "
            "unit (two one-sided tests)",
        },
        crop={"help": "crop, for the trade moisture when the file gives moisture"},
        trial={"metavar": "NAME", "help": "this trial only, where the file holds several"},
        together={
            "action": "store_true",
            "help": "answer for all trials of the file together: each site, the pooled gain, one rate",
        },
        **{"with": {
            "dest": "known", "metavar": "HEADER", "action": "append", "default": [],
            "help": "with --together: what is known of the sites, a soil test or the previous crop, that "
            "level, slope and join may depend on; repeatable",
        }},
        new_site={
            "type": two_names, "metavar": "HEADER=VALUE", "action": "append", "default": [],
            "help": "with --together: rate for a field without a trial, by what is known of it, as in "
            "\"Soil P ppm=12\"; repeatable",
        },
        within={
            "type": a_number, "metavar": "MONEY",
            "help": "loss of net return per area that still counts as nearly as good as the best (default: "
            "5 %% of the net return gained; common practice, no source)",
        },
        price_swing={
            "type": a_number, "metavar": "PCT",
            "help": "let both prices vary by this coefficient of variation in the risk on the page (default: "
            "fixed)",
        },
        against={
            "type": a_number, "action": "append", "metavar": "RATE",
            "help": "also hold the optimum against this rate, your usual one first; repeatable",
        },
        robust={"action": "store_true", "help": "let strips far from the rest count less (Huber)"},
        uneven={"action": "store_true",
                "help": "weight strips by their error where it rises or falls with the rate"},
    )  # fmt: skip
    _ask_layout(commands)
    _ask_batch(commands)
    ask(
        commands, "sources", answers.run_sources,
        "list the publications behind the numbers, or cite some of them", "sources STAMMER2018 --cite bibtex",
        "keys", "--cite", "--of",
        keys={"nargs": "*", "metavar": "KEY", "help": "source keys as the outputs show them"},
        cite={"nargs": "?", "const": "text", "choices": ["text", "bibtex"],
              "help": "write them as a numbered list (default) or as BibTeX"},
        of={**FILE, "metavar": "ANSWER", "help": "those that a page or workbook of the kit names"},
    )  # fmt: skip
    ask(
        commands, "words", answers.run_words, "explain the trade's terms that the outputs use",
        "words plateau", "word",
        word={"nargs": "*", "metavar": "WORD", "help": "part of a term (default: all terms)"},
    )  # fmt: skip
    ask(
        commands, "limits", answers.run_limits, "what the kit cannot know, and what to do about it",
        "limits tissue", "topic",
        topic={"nargs": "?", "help": "budget, tissue, trials, response or safety (default: all)"},
    )  # fmt: skip
    ask(
        commands, "open", answers.run_open, "open the notebooks in the browser", "open",
        "--pages", "--room", "--share", "--manual", "--port",
        "--no-browser",
        pages={"action": "store_true", "help": "as pages without code (needs the workshop extra)"},
        room={"action": "store_true", "help": "for a class: pages left for half an hour are ended"},
        share={
            "action": "store_true",
            "help": "let everybody in the local network use the pages who has the address, which is shown "
            "with a code to scan (default: this machine only)",
        },
        manual={
            "action": "store_true",
            "help": "open the manual of the Python functions instead (needs the manual extra)",
        },
        port={"type": int, "help": "port to listen on (default: a free one)"},
        no_browser={"action": "store_true", "help": "show the address, open no browser"},
    )  # fmt: skip


def _ask_layout(commands):
    number = {"type": a_number}
    ask(
        commands, "layout", strips.run_layout,
        "plan a strip trial: how many blocks, sites and years, which rates, and where the strips go",
        "layout --rates 0,60,120,180 --cv 4 --difference 8 --header-width 30 --applicator-width 60 "
        "--strip-length 1200 --line \"-93.10,42.00 -93.10,42.01\" --files strips",
        "--rates", "--unit", "--cv", "--blocks", "--difference", "--design", "--second", "--second-on",
        "--whole-cv", "--yield-without", "--best-yield", "--best-rate", "--yield-unit", "--curve",
        "--highest", "--strips", "--nutrient-price", "--grain-price", "--width", "--site-sd", "--year-sd",
        "--header-width", "--applicator-width", "--strip-length", "--width-unit", "--borders", "--gap",
        "--boundary", "--line", "--headland", "--files", "--seed", *WRITTEN,
        rates={"type": treatment_names, "metavar": "RATES",
               "help": "rates or names with commas between; without them rates are placed for the field "
               "supposed"},
        unit={"default": "lb/ac", "help": "unit of the rates (default lb/ac)"},
        cv={**number, "required": True, "metavar": "PCT",
            "help": "standard deviation of a strip within a block, in percent of the mean; take it from a "
            "trial of your own"},
        blocks={"type": int, "metavar": "N", "help": "blocks (default: as --difference needs, or 4)"},
        difference={**number, "metavar": "PCT", "help": "difference worth finding, in percent of the mean"},
        design={"choices": ["blocks", "pairs", "latin", "ladder"], "default": "blocks"},
        second={"type": int, "metavar": "LEVELS", "help": "levels of a second factor, or zones"},
        second_on={"choices": ["any strip", "whole strips", "zones"], "default": "any strip",
                   "help": "how the second factor lies (default: any strip)"},
        whole_cv={**number, "default": 0.0, "metavar": "PCT", "help": "what whole strips add to --cv"},
        yield_without={**number, "metavar": "Y", "help": "supposed yield with nothing applied"},
        best_yield={**number, "metavar": "Y", "help": "supposed best yield"},
        best_rate={"type": a_span, "metavar": "RATE", "help": "supposed rate of the best yield: 120, 90-150"},
        yield_unit={"default": "bu/ac", "help": "unit of the yields supposed (default bu/ac)"},
        curve={"help": "supposed curve (default quadratic_plateau)"},
        highest={**number, "metavar": "RATE", "help": "highest rate that may be tested"},
        strips={"type": int, "default": 6, "metavar": "N", "help": "strips of a block, if rates are placed"},
        nutrient_price={"required": False}, grain_price={"required": False},
        width={**number, "metavar": "W",
               "help": "how wide the interval over many sites may be: of the optimum in "
               "--unit if a field is supposed, else of a difference in percent of the mean"},
        site_sd={**number, "default": 0.0, "metavar": "SD", "help": "deviation between sites, as --width"},
        year_sd={**number, "default": 0.0, "metavar": "SD", "help": "deviation between years, as --width"},
        header_width={**number, "required": True, "metavar": "W", "help": "of the combine [--width-unit]"},
        applicator_width={**number, "required": True, "metavar": "W", "help": "of the spreader or sprayer"},
        strip_length={**number, "required": True, "metavar": "L"},
        width_unit={"choices": ["ft", "m"], "default": "ft"},
        borders={"type": int, "default": 1, "metavar": "N", "help": "border strips at each side (default 1)"},
        gap={**number, "default": 0.0, "metavar": "W", "help": "untreated gap between blocks"},
        boundary={**FILE, "help": "outline of the field (GeoJSON, degrees)"},
        line={"type": ab_line, "metavar": "\"LON,LAT LON,LAT\"",
              "help": "A and B of the first pass; strips lie along it and to its right"},
        headland={**number, "default": 0.0, "metavar": "L", "help": "turning room at both ends"},
        files={**FILE, "metavar": "FOLDER",
               "help": "write strips.csv and, with a boundary or line, strips.geojson and lines.geojson"},
        seed={"help": "seed of the lot (default 0)"},
    )  # fmt: skip


def _ask_batch(commands):
    batch = ask(
        commands, "batch", None,
        "many trials, samples or farms at once: one table and a page; a stopped run goes on where it ended",
        "batch trials trials.parquet --out results --nutrient-price 0.45 --grain-price 11",
    )  # fmt: skip
    kinds = batch.add_subparsers(required=True, metavar="trials|samples|farms")
    shared = ("source", "--out", "--crop", "--decimal", "--part-size", "--quiet")
    meant = {
        "source": {**FILE, "help": "folder of files, Parquet file or folder of them, or CSV data set"},
        "out": {**FILE, "required": True, "help": "folder for the table, the page and the parts"},
        "crop": {"help": "crop, where the files do not say"},
        "decimal": {
            **DECIMAL, "help": "decimal mark of a data set or of laboratory files, if they do not tell it; "
            "strip files do",
        },
        "part_size": {"type": int, "metavar": "N", "help": "trials or samples worked together"},
        "quiet": {"action": "store_true", "help": "show no progress bar"},
        "level": {"type": a_number, "default": 0.95, "help": "confidence level (default 0.95)"},
        "by": {"nargs": "+", "metavar": "COLUMN", "help": "columns of a data set that tell trials apart"},
        "pages": {"action": "store_true", "help": "also a page for each usable trial (slow)"},
    }  # fmt: skip
    trials = ask(
        kinds, "trials", answers.run_batch, "economic optimum rate of every trial",
        "batch trials trials --out results --nutrient-price 0.45 --grain-price 11",
        *shared, *STRIP_FILE, *PRICES, "--level", "--by", "--pages", **meant,
    )  # fmt: skip
    samples = ask(
        kinds, "samples", answers.run_batch, "every leaf sample scored against the published ranges",
        "batch samples samples --out results --crop corn", *shared, "--ranges", **meant,
    )  # fmt: skip
    samples.add_argument("--source", dest="source_keys", help="one source key only")
    farms = ask(
        kinds, "farms", answers.run_batch, "a season plan for every farm, each a workbook",
        "batch farms farms --out plans --region Ohio --policy N=165",
        "source", "--out", "--region", "--policy", "--cap", "--spending-limit", "--pages", "--quiet",
        **meant | {"source": {**FILE, "help": "folder of workbooks: fields, soil, shed, passes"},
                   "pages": {"action": "store_true", "help": "also a page for each farm"},
                   "policy": POLICY, "cap": CAP, "spending_limit": LIMIT},
    )  # fmt: skip
    for kind, one in (("trials", trials), ("samples", samples), ("farms", farms)):
        one.set_defaults(kind=kind, stopped="stopped; the same command goes on where it ended")
        where = one.add_mutually_exclusive_group()
        where.add_argument(
            "--workers", type=int, metavar="N",
            help="work in N processes (default: as many as there are cores, where that pays)",
        )  # fmt: skip
        where.add_argument(
            "--scheduler", metavar="ADDRESS",
            help="work on the Dask cluster at this address (extra 'cluster')",
        )  # fmt: skip
