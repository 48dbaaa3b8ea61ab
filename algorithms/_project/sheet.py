"""The map sheet of a lake as a layout in the project, to be edited there and renewed by runs."""

from __future__ import annotations

from qgis.PyQt.QtXml import QDomDocument

from .._i18n import in_local_numbers, tr
from .._lake.facts import read_facts
from .._sheets.layout_renewing import add_layout, renew_layout
from .._sheets.layout_template import fitted
from .as_set import digest, pack, unpack
from .catalogue import PRINT
from .lake_group import LAKE, LakeGroup
from .themes import theme_name

__all__ = ["SHEET", "sheet_of", "show_sheet"]

#: Name of the document of a run that is the layout of its sheet.
SHEET = "sheet_layout"
#: Custom property of the layout: its name as it was set.
_NAME = "lakefloor/name"


@in_local_numbers
def show_sheet(project, lake, record):
    """Bring the layout of a run's map sheet into the project, or renew the one that is there.

    Its map follows the theme of the lake for printing. What the user changed, added or removed of
    it stays so. A sheet that the user removed comes back only with a later run.

    Parameters
    ----------
    project : QgsProject
    lake : LakeFolder
    record : RunRecord
        Whose outputs name the layout's template as :data:`SHEET`.

    Returns
    -------
    QgsPrintLayout or None
        None where the run left no layout, or the user has removed it.
    """
    path = lake.path / record.outputs.get(SHEET, "")
    if not path.is_file():
        return None
    facts = read_facts(lake.path)
    group = LakeGroup(project, facts.id, facts.name)
    layout, known = sheet_of(project, facts.id), group.recall("sheet", "made")
    if layout is None and known and known["run"] == record.stamp:
        return None
    text = path.read_text(encoding="utf-8")
    document = fitted(text, group.layers(), theme_name(group, PRINT))
    if layout is None or not known:
        layout, keys = add_layout(project, _free_name(project, facts.name), document)
        layout.setCustomProperty(LAKE, facts.id)
        layout.setCustomProperty(_NAME, layout.name())
    else:
        as_set = QDomDocument()
        as_set.setContent(unpack(known["xml"]))
        keys = renew_layout(layout, as_set, known["items"], document, lambda xml: digest(xml, ()))
    made = {"run": record.stamp, "items": keys, "xml": pack(document.toString(-1))}
    group.remember("sheet", "made", made)
    return layout


def sheet_of(project, lake_id):
    """Return the layout of a lake's map sheet, or None; not a copy that the user made of it."""
    layouts = [
        layout
        for layout in project.layoutManager().printLayouts()
        if layout.customProperty(LAKE) == lake_id
    ]
    # A copy has another name, and what the user named anew is alone or was there first.
    named = [layout for layout in layouts if layout.name() == layout.customProperty(_NAME)]
    return next(iter(named or layouts), None)


def _free_name(project, lake_name) -> str:
    taken = {layout.name() for layout in project.layoutManager().printLayouts()}
    name = tr("Map sheet")
    if name in taken:
        name = tr("Map sheet, {}").format(lake_name)
    number = 1
    while name in taken:
        number += 1
        name = tr("Map sheet, {} {}").format(lake_name, number)
    return name
