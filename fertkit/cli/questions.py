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
        "one field's answer from a goal, leaf tests, soil tests or strips, with a grower's sheet",
        "field --crop soybean --goal 60 --leaf leaf_tests.csv --strips soybean_k_strips.csv "
        "--nutrient-price 0.45 --grain-price 11 --page field.html",
        "--crop", "--goal", "--goal-unit", "--unit", "--leaf", "--stage", "--part", *STUDIES, "--ranges",
        "--soil", "--field", "--fact", "--strips", *STRIP_FILE, *PRICES, "--currency", "--words", *WRITTEN,
        source=SEVERAL,
        crop={"help": "crop, if the laboratory file does not say, e.g. soybean"},
        goal={"type": a_number, "metavar": "YIELD", "help": "yield goal [--goal-unit]"},
        leaf={**FILE, "help": LABORATORY_FILE},
        soil={**FILE, "help": "laboratory file of soil tests"},
        strips={**FILE, "help": "strip file: block, rate, yield, ...; needs both prices"},
        sheet={"help": "sheet of a workbook of strips"},
        column={"help": "what a strip column holds, as in yield=\"Grain [t/ha]\"; leaf.ROLE=HEADER and "
                        "soil.ROLE=HEADER for the laboratory files; other=HEADER ignores one; repeatable"},
        nutrient_price={"required": False}, grain_price={"required": False},
        page={"help": "page to write (default field.html); of several fields a folder (default fields)"},
    )  # fmt: skip
    ask(
        commands, "needs", answers.run_needs,
        "crop uptake, removal with the harvest and what stays, by source",
        "needs soybean 80 bu/ac",
        "crop", "goal", "--goal-unit", "--unit", "--part", "--baled", *STUDIES, "--table",
        goal={"type": a_number, "metavar": "YIELD", "help": "yield goal [--goal-unit]"},
        part={"help": "harvested part, if not the usual one, e.g. silage"},
        baled={"type": a_share, "metavar": "SHARE",
               "help": "share of straw or stover baled, 0 to 1 or a percent (default 0)"},
        source=SEVERAL,
    )  # fmt: skip
    ask(
        commands, "farm", answers.run_farm, "needs and removal of every field, by crop and for the farm",
        "farm fields.csv --page farm.html",
        "file", "--unit", "--area-unit", "--yield-unit", *STUDIES, *WRITTEN, source=SEVERAL,
        file={**FILE, "help": "a line a field: crop, area_ac, yield_goal_bu_ac; maybe field, part, residue"},
        unit={"help": "unit of amounts (default: per acre or hectare, as the area)"},
        area_unit={"choices": ["ac", "ha"], "help": "unit of area, if the file does not say"},
        yield_unit={"help": "unit of yield goals, if the file does not say"},
    )  # fmt: skip
    ask(
        commands, "plan", answers.run_plan,
        "season plan for a farm: rates from soil tests and goals, products, passes, cost, carry-over",
        "plan fields.csv --soil soil.csv --shed shed.csv --passes passes.csv --policy N=165 --page plan.html",
        "fields", "--soil", "--shed", "--passes", "--policy", "--cap", "--credits", "--trials",
        "--spending-limit", *STUDIES, "--currency", *WRITTEN, "--orders", "--map", "--unit", "--extractant",
        "--soil-units", "--depth-in", "--dates", "--column", source=SEVERAL,
        column={"metavar": "FILE.ROLE=HEADER",
                "help": "what a column of the soil, shed or passes file holds, as in soil.field=Lot or "
                        "shed.price=\"Cost ($/ton)\"; repeatable"},
        fields={**FILE, "help": "one line per field, zone and year: field, crop, area_ac, yield_goal_bu_ac; "
                                "optional zone, year, residue, previous_crop, manure; or a workbook with "
                                "sheets fields, soil, shed, passes"},
        soil={**FILE, "help": "soil laboratory file; without a test, rates replace removal"},
        shed={**FILE, "help": "products: product, price; optional on hand, lot, analysis; without it the "
                              "plan ends at rates"},
        passes={**FILE, "help": "passes: pass, method, cost per acre, earliest, latest (default: the usual "
                                "ones, at no cost)"},
        policy={**POLICY, "help": POLICY["help"].replace("[lb/ac]", "[--unit]")},
        cap={**CAP, "help": CAP["help"].replace("[lb/ac]", "[--unit]")},
        unit={"help": "unit of amounts and rates (default: per acre or hectare, as the area)"},
        credits={**FILE, "help": "credits: field, nutrient, kind, low_lb_ac, high_lb_ac"},
        trials={**FILE, "help": "optimum rates of your own trials: field, nutrient, low, rate, high "
                                "[--unit]"},
        spending_limit=LIMIT,
        orders={**FILE, "metavar": "FOLDER", "help": "also write one CSV per pass: rates by field"},
        extractant={"help": "extractant of P and K, if the report does not say: Mehlich-3, or "
                            "P=Olsen,K=ammonium acetate"},
        soil_units={"help": "unit of soil tests, if the report does not say: ppm, or P=lb/ac,K=ppm"},
        depth_in={"type": a_number, "metavar": "IN", "help": "sampling depth [in], if the report does not "
                                                             "say"},
        dates={"help": "date order of the soil report: dmy, mdy or ymd"},
        map={**FILE, "help": "field and zone outlines (GeoJSON); orders are then also written as GeoJSON"},
    )  # fmt: skip
    ask(
        commands, "leaf", answers.run_leaf,
        "score leaf tests against published ranges and explain what is short",
        "leaf leaf_tests.csv --crop soybean",
        "file", "--crop", "--stage", "--part", *STUDIES, "--ranges", *LEAF_FILE, "--column", "--sheet",
        "--field", "--fact", "--words", *WRITTEN, file={**FILE, "help": LABORATORY_FILE}, source=SEVERAL,
        **OF_LEAVES,
        page={"help": "also write a page with a grower's sheet (HTML); for several fields a folder"},
    )  # fmt: skip
    ask(
        commands, "history", answers.run_history,
        "fields through leaf reports of several dates and years: what repeats, what changed",
        "history reports/ --page history.html",
        "reports", "--field", "--same", "--crop", "--stage", "--part", *STUDIES, "--ranges", *LEAF_FILE,
        *WRITTEN, source=SEVERAL, **OF_LEAVES,
        reports={**FILE, "nargs": "+", "metavar": "FOLDER_OR_FILE",
                 "help": "folders or files of laboratory reports"},
        field={"metavar": "NAME", "help": "this field only"},
        same={"type": two_names, "action": "append", "default": [], "metavar": "SPELLING=FIELD",
              "help": "another spelling of a field, as in \"Heron Qtr=Heron Quarter\"; NAME=NAME keeps a "
                      "name apart; repeatable"},
    )  # fmt: skip
    ask(
        commands, "balance", answers.run_balance,
        "nutrient balance: ratios, DRIS, CND, your own optimum, or nitrogen against growth",
        "balance leaf_yields.csv --method dris --yield-column \"Yield (bu/ac)\" --cutoff 200 "
        "--build-norms norms.csv",
        "file", "--method", "--norms", "--build-norms", "--yield-column", "--cutoff", "--optimum",
        "--formula", "--dry-matter", "--source", "--crop", "--stage", "--part", "--column", "--units",
        "--decimal", "--dates", "--sheet", *WRITTEN,
        **{name: OF_LEAVES[name] for name in ("column", "units", "decimal", "dates")},
        file={**FILE, "help": f"{LABORATORY_FILE}; --method dilution needs a column like 'Biomass (t/ha)'"},
        method={"choices": ["ratios", "dris", "cnd", "dop", "dilution"], "default": "ratios",
                "help": "ratios with published limits (default); dris or cnd with norms; dop with your "
                        "optimum; dilution: whole-shoot N against shoot dry matter"},
        norms={**FILE, "help": "your own norms (dris, cnd) instead of the few bundled ones"},
        build_norms={**FILE, "metavar": "OUT",
                     "help": "build norms from samples that yielded --cutoff or more; write them to this "
                             "CSV"},
        yield_column={"metavar": "NAME", "help": "column of yields"},
        cutoff={"type": a_number, "metavar": "YIELD", "help": "lowest yield that counts as high"},
        optimum={"type": optima, "default": {}, "metavar": "N=2.9,K=2.1",
                 "help": "optimum concentrations for dop: %% for N, P, K, Ca, Mg, S; mg/kg for others"},
        formula={"choices": ["beaufils", "jones", "elwali_gascho"], "default": "beaufils",
                 "help": "ratio function in dris (default beaufils)"},
        dry_matter={"action": "store_true", "help": "dris: include ratios to dry matter (N/DM)"},
    )  # fmt: skip
    ask(
        commands, "strips", strips.run_strips,
        "strip trials: response curves and economic optimum rate, or comparison of treatments",
        "strips soybean_k_strips.csv --crop soybean --nutrient-price 0.45 --grain-price 11",
        "file", "--crop", *STRIP_FILE, *PRICES, "--trial", "--together", "--with", "--new-site",
        *WRITTEN, "--within", "--price-swing", "--currency", "--against", "--robust", "--uneven", "--rates",
        "--paper", "--by", "--log", "--zones", "--delay", "--reach", "--header-width", "--utm", "--elsewhere",
        "--surface", "--design", "--check", "--letters", "--cost", "--no-worse-than",
        paper={**FILE, "metavar": "FOLDER",
               "help": "also write for a paper: methods with citations, tables, figures (SVG, PDF; 85 and "
                       "170 mm) and a script that repeats the analysis"},
        by={"metavar": "HEADER", "help": "column of a second factor or zones (hybrid, tillage): an "
                                         "optimum for each, and whether separate rates pay"},
        surface={
            "help": "several nutrients: quadratic or square_root (default: the better fit)",
        },
        nutrient_price={
            "type": a_price, "help": "nutrient price per mass unit of the rate (per lb for lb/ac); for "
                                     "several N=0.5,P2O5=0.6",
            "required": False,
        },
        rates={**FILE, "help": "also write optimum rates to a CSV for fertkit plan --trials"},
        file={**FILE, "help": "strip file: trial, block, rate or treatment, yield, ...; with --log the "
                              "as-applied map (GeoJSON, shapefile, CSV)"},
        log={**FILE, "help": "combine log (CSV, GeoJSON, shapefile); its points are averaged to strips"},
        zones={"metavar": "FILE_OR_COLUMN", "help": "response by zone: zone polygons, or a column of the log "
                                                    "or map"},
        delay={"type": a_number, "metavar": "SECONDS",
               "help": "grain delay, header to sensor (default: found from the log)"},
        reach={"type": a_number, "metavar": "M", "help": "how far an as-applied record counts [m] (default: "
                                                         "just over half the pass spacing)"},
        header_width={"type": a_length, "metavar": "30ft",
                      "help": "header width, if the log has no column"},
        elsewhere={"type": a_number, "metavar": "RATE", "help": "rate where the map has no record, such as "
                                                                "0"},
        utm={"metavar": "ZONE", "help": "UTM zone of coordinates in metres, e.g. 15N"},
        grain_price={"required": False},
        design={
            "choices": ["blocks", "pairs", "latin-square", "split-plot", "strip-plot", "factorial",
                        "augmented", "near-checks"],
            "help": "compare means by this design (default: from the columns; rates get a curve); "
                    "split-plot, strip-plot and factorial need --column factor=HEADER or whole=HEADER; "
                    "near-checks adjusts for neighbouring checks",
        },
        check={"metavar": "NAME", "help": "the check (default: the one named check, control or untreated)"},
        letters={
            "choices": ["tukey", "holm", "protected", "lsd"], "default": "tukey",
            "help": "mean separation: Tukey (default), Holm, protected LSD, or plain LSD",
        },
        cost={
            "type": a_cost, "action": "append", "default": [], "metavar": "NAME=COST",
            "help": "treatment cost per area, or price x rate, as in Product=0.45x30; with --grain-price "
                    "gives net return over the check; repeatable",
        },
        no_worse_than={
            "type": a_number, "metavar": "LOSS",
            "help": "test whether each treatment is within this yield of the check (two one-sided tests)",
        },
        crop={"help": "crop, for trade moisture if the file gives moisture"},
        trial={"metavar": "NAME", "help": "only this trial of the file"},
        together={
            "action": "store_true",
            "help": "pool all trials of the file: each site, pooled gain, one rate",
        },
        **{"with": {
            "dest": "known", "metavar": "HEADER", "action": "append", "default": [],
            "help": "with --together: site column the response may depend on, such as a soil test; "
                    "repeatable",
        }},
        new_site={
            "type": two_names, "metavar": "HEADER=VALUE", "action": "append", "default": [],
            "help": "with --together: rate for a field without a trial, as in \"Soil P ppm=12\"; repeatable",
        },
        within={
            "type": a_number, "metavar": "MONEY",
            "help": "loss of net return per area that still counts as near the best (default 5%% of the net "
                    "gain; common practice, no source)",
        },
        price_swing={
            "type": a_number, "metavar": "PCT",
            "help": "coefficient of variation of both prices, for the risk on the page (default: fixed)",
        },
        against={
            "type": a_number, "action": "append", "metavar": "RATE",
            "help": "also compare the optimum with this rate, your usual one first; repeatable",
        },
        robust={"action": "store_true", "help": "give outlying strips less weight (Huber)"},
        uneven={"action": "store_true",
                "help": "weight strips by error, where it changes with the rate"},
    )  # fmt: skip
    _ask_layout(commands)
    _ask_batch(commands)
    ask(
        commands, "sources", answers.run_sources,
        "list or cite the publications behind the numbers", "sources STAMMER2018 --cite bibtex",
        "keys", "--cite", "--of",
        keys={"nargs": "*", "metavar": "KEY", "help": "source keys, as outputs show them"},
        cite={"nargs": "?", "const": "text", "choices": ["text", "bibtex"],
              "help": "as a numbered list (default) or BibTeX"},
        of={**FILE, "metavar": "ANSWER", "help": "those named in a page or workbook"},
    )  # fmt: skip
    ask(
        commands, "words", answers.run_words, "explain trade terms",
        "words plateau", "word",
        word={"nargs": "*", "metavar": "WORD", "help": "part of a term (default: all terms)"},
    )  # fmt: skip
    ask(
        commands, "limits", answers.run_limits, "what the kit cannot know, and what to do",
        "limits tissue", "topic",
        topic={"nargs": "?", "help": "budget, tissue, trials, response or safety (default: all)"},
    )  # fmt: skip
    ask(
        commands, "open", answers.run_open, "open the notebooks in the browser", "open",
        "--pages", "--room", "--share", "--manual", "--port",
        "--no-browser",
        pages={"action": "store_true", "help": "as pages without code (needs the workshop extra)"},
        room={"action": "store_true", "help": "for a class: pages idle for half an hour close"},
        share={
            "action": "store_true",
            "help": "share pages with all on the local network who have the address (default: this machine "
                    "only)",
        },
        manual={
            "action": "store_true",
            "help": "open the manual of Python functions (needs the manual extra)",
        },
        port={"type": int, "help": "port (default: a free one)"},
        no_browser={"action": "store_true", "help": "show the address, open no browser"},
    )  # fmt: skip


def _ask_layout(commands):
    number = {"type": a_number}
    ask(
        commands, "layout", strips.run_layout,
        "plan a strip trial: blocks, sites, years, rates and where strips go",
        "layout --rates 0,60,120,180 --cv 4 --difference 8 --header-width 30 --applicator-width 60 "
        "--strip-length 1200 --line \"-93.10,42.00 -93.10,42.01\" --files strips",
        "--rates", "--unit", "--cv", "--blocks", "--difference", "--design", "--second", "--second-on",
        "--whole-cv", "--yield-without", "--best-yield", "--best-rate", "--yield-unit", "--curve",
        "--highest", "--strips", "--nutrient-price", "--grain-price", "--width", "--site-sd", "--year-sd",
        "--header-width", "--applicator-width", "--strip-length", "--width-unit", "--borders", "--gap",
        "--boundary", "--line", "--headland", "--files", "--seed", *WRITTEN,
        rates={"type": treatment_names, "metavar": "RATES",
               "help": "rates or names, separated by commas; without them rates are placed for the assumed "
                       "field"},
        unit={"default": "lb/ac", "help": "unit of the rates (default lb/ac)"},
        cv={**number, "required": True, "metavar": "PCT",
            "help": "strip standard deviation within a block, percent of the mean, from your own trial"},
        blocks={"type": int, "metavar": "N", "help": "blocks (default: enough for --difference, or 4)"},
        difference={**number, "metavar": "PCT", "help": "difference to detect, percent of the mean"},
        design={"choices": ["blocks", "pairs", "latin", "ladder"], "default": "blocks"},
        second={"type": int, "metavar": "LEVELS", "help": "levels of a second factor, or zones"},
        second_on={"choices": ["any strip", "whole strips", "zones"], "default": "any strip",
                   "help": "layout of the second factor (default: any strip)"},
        whole_cv={**number, "default": 0.0, "metavar": "PCT", "help": "added error of whole strips"},
        yield_without={**number, "metavar": "Y", "help": "assumed yield with nothing applied"},
        best_yield={**number, "metavar": "Y", "help": "assumed best yield"},
        best_rate={"type": a_span, "metavar": "RATE", "help": "assumed rate of best yield: 120 or 90-150"},
        yield_unit={"default": "bu/ac", "help": "unit of assumed yields (default bu/ac)"},
        curve={"help": "assumed curve (default quadratic_plateau)"},
        highest={**number, "metavar": "RATE", "help": "highest rate to test"},
        strips={"type": int, "default": 6, "metavar": "N", "help": "strips per block, if rates are placed"},
        nutrient_price={"required": False}, grain_price={"required": False},
        width={**number, "metavar": "W",
               "help": "wanted width of the interval over sites: of the optimum [--unit] if a field is "
                       "assumed, else of a difference [percent of the mean]"},
        site_sd={**number, "default": 0.0, "metavar": "SD", "help": "standard deviation between sites, "
                                                                    "unit of --width"},
        year_sd={**number, "default": 0.0, "metavar": "SD", "help": "standard deviation between years, "
                                                                    "unit of --width"},
        header_width={**number, "required": True, "metavar": "W", "help": "combine header width "
                                                                          "[--width-unit]"},
        applicator_width={**number, "required": True, "metavar": "W", "help": "spreader or sprayer width"},
        strip_length={**number, "required": True, "metavar": "L"},
        width_unit={"choices": ["ft", "m"], "default": "ft"},
        borders={"type": int, "default": 1, "metavar": "N", "help": "border strips each side (default 1)"},
        gap={**number, "default": 0.0, "metavar": "W", "help": "untreated gap between blocks"},
        boundary={**FILE, "help": "outline of the field (GeoJSON, degrees)"},
        line={"type": ab_line, "metavar": "\"LON,LAT LON,LAT\"",
              "help": "A and B of the first pass; strips lie to its right"},
        headland={**number, "default": 0.0, "metavar": "L", "help": "headland at both ends"},
        files={**FILE, "metavar": "FOLDER",
               "help": "write strips.csv; with a boundary or line strips.geojson and lines.geojson too"},
        seed={"help": "random seed (default 0)"},
    )  # fmt: skip


def _ask_batch(commands):
    batch = ask(
        commands, "batch", None,
        "many trials, samples or farms at once: one table and a page; stopped runs resume",
        "batch trials trials.parquet --out results --nutrient-price 0.45 --grain-price 11",
    )  # fmt: skip
    if batch is None:
        return
    kinds = batch.add_subparsers(required=True, metavar="trials|samples|farms")
    shared = ("source", "--out", "--crop", "--decimal", "--part-size", "--quiet")
    meant = {
        "source": {**FILE, "help": "folder of files, Parquet file or folder, or CSV data set"},
        "out": {**FILE, "required": True, "help": "folder for the results"},
        "crop": {"help": "crop, if the files do not say"},
        "decimal": {
            **DECIMAL, "help": "decimal mark of a data set or laboratory files",
        },
        "part_size": {"type": int, "metavar": "N", "help": "trials or samples per part of a data set"},
        "quiet": {"action": "store_true", "help": "show no progress bar"},
        "level": {"type": a_number, "default": 0.95, "help": "confidence level (default 0.95)"},
        "by": {"nargs": "+", "metavar": "COLUMN", "help": "columns that identify a trial"},
        "pages": {"action": "store_true", "help": "also a page per usable trial (slow)"},
    }  # fmt: skip
    trials = ask(
        kinds, "trials", answers.run_batch, "economic optimum rate of every trial",
        "batch trials trials --out results --nutrient-price 0.45 --grain-price 11",
        *shared, *STRIP_FILE, *PRICES, "--level", "--by", "--pages", **meant,
    )  # fmt: skip
    samples = ask(
        kinds, "samples", answers.run_batch, "score every leaf sample against published ranges",
        "batch samples samples --out results --crop corn", *shared, "--ranges", **meant,
    )  # fmt: skip
    samples.add_argument("--source", dest="source_keys", help="one source key only")
    farms = ask(
        kinds, "farms", answers.run_batch, "season plan of every farm, one workbook each",
        "batch farms farms --out plans --region Ohio --policy N=165",
        "source", "--out", "--region", "--policy", "--cap", "--spending-limit", "--pages", "--quiet",
        **meant | {"source": {**FILE, "help": "folder of workbooks with fields, soil, shed, passes"},
                   "pages": {"action": "store_true", "help": "also a page per farm"},
                   "policy": POLICY, "cap": CAP, "spending_limit": LIMIT},
    )  # fmt: skip
    for kind, one in (("trials", trials), ("samples", samples), ("farms", farms)):
        one.set_defaults(kind=kind, stopped="stopped; run the same command to resume")
        where = one.add_mutually_exclusive_group()
        where.add_argument(
            "--workers", type=int, metavar="N",
            help="number of processes (default: up to one per core)",
        )  # fmt: skip
        where.add_argument(
            "--scheduler", metavar="ADDRESS",
            help="use the Dask cluster at this address (extra 'cluster')",
        )  # fmt: skip
