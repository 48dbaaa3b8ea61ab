"""The text of a sheet: its subtitle, and headings with their lines."""

from __future__ import annotations

from ..cautions import CAUTIONS
from ..figures.lake_statistics import LITTORAL_DEPTH
from ..number_text import written
from ..units import LENGTH
from .amounts import WITHIN_95, counted
from .figure_text import figure_within
from .sheet_facts import CORRECTIONS, SheetFacts
from .sheet_text import dates_text, datum_statement

DATUM, LAKE, SURVEY = "Datum and contours", "The lake", "Survey"
QUALITY, SOURCES, CAUTION = "Survey quality", "Data sources", "Cautions"


def subtitle(facts: SheetFacts) -> str:
    """Return the second line of a sheet: the lake and when it was surveyed."""
    when = f"surveyed {dates_text(facts.survey.dates)}" if facts.survey.dates else ""
    return "  ·  ".join(part for part in (facts.settings.lake, when) if part)


def sections(facts: SheetFacts) -> list:
    """Return headings with their texts, without empty ones.

    Returns
    -------
    list of (str, str)
        The lines of a text have line breaks between them.
    """
    found = (
        (DATUM, _datum_lines(facts)),
        (LAKE, _lake_lines(facts)),
        (SURVEY, _survey_lines(facts)),
        (QUALITY, _quality_lines(facts)),
        (SOURCES, _source_lines(facts)),
        (CAUTION, list(CAUTIONS)),
    )
    return [(heading, "\n".join(lines)) for heading, lines in found if lines]


def _datum_lines(facts) -> list:
    datum, contours, unit = facts.datum, facts.contours, facts.unit
    lines = [
        datum_statement(
            unit, datum.name, datum.elevation, datum.levels, level_known=datum.level_known
        )
    ]
    if contours.interval == contours.interval:
        text = f"Contour interval {written(contours.interval, 'g')} {unit}"
        if contours.index_interval == contours.index_interval:
            text += f", index contours every {written(contours.index_interval, 'g')} {unit}"
        lines.append(text + ".")
    return lines


def _development(figures) -> str:
    """Return the shoreline development as a clause; of a part of a lake there is none."""
    if "development" not in figures:
        return ""
    return f", development {written(figures['development'].value, '.2f')}"


def _lake_lines(facts) -> list:
    if facts.statistics is None:
        return []
    figures, unit = facts.statistics.figures, facts.unit

    def say(name):
        return figure_within(figures[name], unit)

    littoral = written(round(LITTORAL_DEPTH / LENGTH[unit], 2), "g")
    lines = [
        f"Area {say('area')}, volume {say('volume')}.",
        f"Mean depth {say('mean_depth')}, deepest {say('max_depth')}.",
        f"Shoreline {say('shoreline')}{_development(figures)}.",
        f"Shallower than {littoral} {unit}: {say('littoral_share')}.",
    ]
    gap = 100.0 - figures["mapped_share"].value
    if gap > 0.05:
        lines.append(f"{written(gap, '.1f')}% of the lake has no depth.")
    if facts.part:
        lines.append("These are figures of the part of the lake that is shown.")
    return [*lines, "± is the 95% uncertainty."]


def _survey_lines(facts) -> list:
    lines, survey = [], facts.survey
    if survey.dates:
        lines.append(f"Survey dates: {dates_text(survey.dates)}.")
    if survey.used or survey.rejected:
        text = f"{counted(survey.used, 'sounding')} used, {written(survey.rejected, ',')} rejected"
        if survey.reasons:
            counts = ", ".join(
                f"{reason} {written(count, ',')}" for reason, count in survey.reasons.most_common()
            )
            text += f" ({counts})"
        lines.append(text + ".")
    if survey.lanes:
        text = counted(survey.lanes, "lane")
        if survey.spacing is not None:
            apart = written(survey.spacing / LENGTH[facts.unit], ".0f")
            text += f", about {apart} {facts.unit} apart"
        lines.append(text + ".")
    return lines


def _quality_lines(facts) -> list:
    """Return how sure the depths are, each statement at 95%."""

    def depth(value):
        return f"{written(value / LENGTH[facts.unit], '.2f')} {facts.unit}"

    lines, crossings = [], facts.survey.crossings
    if crossings is not None and crossings.n:
        where = "between visits" if facts.survey.between else "within visits"
        text = f"Tracks cross {counted(crossings.n, 'time')} {where}"
        if crossings.percentile95 is None:
            lines.append(f"{text}. These are too few for a statement at 95%.")
        else:
            lines.append(
                f"{text}. In 95% of the cases the depths agree within "
                f"{depth(crossings.percentile95)}."
            )
    elif facts.survey.used:
        lines.append("No tracks cross, so depths were not checked against each other.")
    if facts.uncertainty is not None:
        lines.append(
            "The 95% uncertainty of the mapped depth is "
            f"{depth(WITHIN_95 * facts.uncertainty)} on average."
        )
    supported = facts.contours.supported
    if supported == 1.0:
        lines.append("The data support all contours.")
    elif supported is not None:
        lines.append(
            f"The data support {written(min(100.0 * supported, 99.0), '.0f')}% of the "
            "length of the contours. The rest is dashed."
        )
    return lines


def _source_lines(facts) -> list:
    lines, survey = facts.settings.source_lines, facts.survey
    if facts.settings.author:
        lines.append(f"Made by {facts.settings.author}.")
    if survey.visits:
        lines.append(f"Depths: echo soundings, {_visits(survey.visits)}.")
        done = [name for key, name in CORRECTIONS.items() if key in survey.corrections]
        if done:
            lines.append(f"Depths are corrected for {', '.join(done)}.")
        lines += survey.assumed
    return [
        *lines,
        f"Shoreline: layer '{facts.shoreline}', taken as depth 0"
        f"{', but for the edge where it was cut' if facts.part else ''}.",
        f"Coordinate reference system: {facts.crs}.",
        "Grid and margin: latitude and longitude, WGS 84.",
    ]


def _visits(names) -> str:
    """Return visits by name; by number where they are many or named by their day."""
    if len(names) > 4 or any(name[:4].isdigit() for name in names):
        return counted(len(names), "visit")
    return ", ".join(names)
