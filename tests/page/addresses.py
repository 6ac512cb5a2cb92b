"""Where each page of the demo is; beside the demo's own map lies tests/page/hostile.toml."""

HOUSE = "/sites/heron-lane"
SETUP = "/setup?filter=heron-lane/%23"
PAGES = {
    "sites": "/sites",
    "now": HOUSE,
    "history": HOUSE + "/history",
    "day": HOUSE + "/history?span=day&show=circuits&compare=previous",
    "typical": HOUSE + "/history?view=typical",
    "rank": HOUSE + "/history?view=rank",
    "circuit": HOUSE + "/circuits/refrigerator",
    "circuit-day": HOUSE + "/circuits/refrigerator?span=day",
    "unmeasured": HOUSE + "/circuits/dishwasher",
    "findings": HOUSE + "/findings",
    "findings-now": HOUSE + "/findings?look=day",
    "preferences": "/preferences?next=%2Fsites",
    "hostile": "/sites/hostile",
    "hostile-history": "/sites/hostile/history",
    "hostile-panel": "/sites/hostile/panel",
    "problem": "/sites/nowhere",
}
# Those that the panel and set-up are.
PANELS = {
    "panel": HOUSE + "/panel",
    "verify": HOUSE + "/verify?circuit=",
    "setup": SETUP,
    "schedule": HOUSE + "/schedule",
}
