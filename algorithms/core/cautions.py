"""What every map says for the safety of those who use it."""

CAUTIONS = (
    "NOT FOR NAVIGATION. Depths between the survey lanes are interpolated. Rocks, stumps, docks "
    "and shoals may be missing.",
    "Ice is never guaranteed safe, and depths say nothing about its thickness. Check it yourself "
    "and follow local authorities.",
    "Cold water kills quickly: wear a life jacket.",
    "Local rules on access, boating, fishing and invasive species come first.",
)
