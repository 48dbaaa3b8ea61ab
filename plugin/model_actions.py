"""What the toolbox offers on a shipped model: a copy of one's own, opened for editing.

QGIS edits only models of its own two providers. This is imported only where there is a window.
"""

from pathlib import Path

from processing.gui.ContextAction import ContextAction
from processing.gui.ProviderActions import ProviderContextMenuActions
from qgis.core import QgsApplication, QgsProcessingModelAlgorithm
from qgis.utils import iface

from ..algorithms._i18n import tr
from ..algorithms.core.errors import LakefloorError
from .shipped_model import ShippedModel

#: The provider of the user's models.
_OWN = "model"


class CopyModelAction(ContextAction):
    """Copies a shipped model to the user's models and opens the copy in the model designer."""

    def __init__(self):
        super().__init__()
        self.name = tr("Copy to my models and edit…")

    def isEnabled(self):
        return isinstance(self.itemData, ShippedModel)

    def execute(self):
        # The designer takes a while to load.
        from processing.modeler.ModelerDialog import ModelerDialog

        try:
            designer = ModelerDialog.create(copy_to_own(self.itemData))
        except LakefloorError as error:
            iface.messageBar().pushWarning(tr("Lakefloor"), str(error))
            return
        designer.update_model.connect(_refresh)
        designer.show()
        designer.activate()


def copy_to_own(model):
    """Copy a shipped model to the user's models under a free name; return the registered copy.

    Raises
    ------
    LakefloorError
        If it cannot be written.
    """
    from processing.modeler.ModelerUtils import ModelerUtils

    copy, path = _free_copy(model, Path(ModelerUtils.modelsFolders()[0]))
    if not copy.toFile(str(path)):
        raise LakefloorError(
            tr("'{}' cannot be written. Check the folder's permissions, then try again.").format(
                path
            )
        )
    _refresh()
    return QgsApplication.processingRegistry().algorithmById(f"{_OWN}:{copy.name()}")


def _free_copy(model, folder):
    """Return a copy under a name that no model of the user has, and where to write it."""
    copy = QgsProcessingModelAlgorithm()
    copy.loadVariant(model.toVariant())
    _leave_out_numbers(copy)
    provider = QgsApplication.processingRegistry().providerById(_OWN)
    taken = {each.name() for each in provider.algorithms()}
    number = 1
    while True:
        suffix = tr("copy") if number == 1 else f"{tr('copy')} {number}"
        copy.setName(f"{model.shown_name()} ({suffix})")
        path = folder / f"{model.name()}_{number}.model3"
        if copy.name() not in taken and not path.exists():
            return copy, path
        number += 1


def _leave_out_numbers(copy):
    """Leave out the outputs that are no destinations, which the designer does not know."""
    children = copy.childAlgorithms()
    for child in children.values():
        algorithm = child.algorithm()
        child.setModelOutputs(
            {
                label: output
                for label, output in child.modelOutputs().items()
                if algorithm and algorithm.parameterDefinition(output.childOutputName())
            }
        )
    copy.setChildAlgorithms(children)


def _refresh():
    QgsApplication.processingRegistry().providerById(_OWN).refreshAlgorithms()


def register() -> list:
    """Add the actions to the toolbox's context menu; return them for :func:`unregister`."""
    actions = [CopyModelAction()]
    ProviderContextMenuActions.registerProviderContextMenuActions(actions)
    return actions


def unregister(actions: list):
    """Take the actions from the menu again."""
    ProviderContextMenuActions.deregisterProviderContextMenuActions(actions)
