"""What every map says for the safety of those who use it, and what is said on the water."""

CAUTIONS = (
    "NOT FOR NAVIGATION. Depths between the survey lanes are interpolated. Rocks, stumps, docks "
    "and shoals may be missing.",
    "Ice is never guaranteed safe, and depths say nothing about its thickness. Check it yourself "
    "and follow local authorities.",
    "Cold water kills quickly: wear a life jacket.",
    "Local rules on access, boating, fishing and invasive species come first.",
)

#: Before an outing is recorded; the first stays in sight while it is.
ON_THE_WATER = (
    "Not for navigation. The map shows where the boat has been, not what lies ahead.",
    "A second person steers or keeps the lookout while you look at the screen.",
    "Wear a life jacket. Cold water kills quickly.",
    "Stop before shallow ground. Nothing here warns of it.",
)
