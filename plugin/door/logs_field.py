"""A field for logs: files or a folder, chosen or typed."""

from __future__ import annotations

from pathlib import Path

from qgis.gui import QgsFileWidget, QgsFilterLineEdit
from qgis.PyQt.QtWidgets import QFileDialog, QHBoxLayout, QMenu, QToolButton, QWidget

from ...algorithms._i18n import tr


class LogsField(QWidget):
    """Paths of logs; a folder stands for all logs in it."""

    def __init__(self, parent=None):
        super().__init__(parent)
        self.line = QgsFilterLineEdit()
        self.line.setPlaceholderText(tr("Files or a folder"))
        button = QToolButton()
        button.setText("…")
        button.setToolTip(tr("Choose logs"))
        button.setAccessibleName(tr("Choose logs"))
        menu = QMenu(button)
        menu.addAction(tr("Folder of logs…")).triggered.connect(lambda *_: self._folder())
        menu.addAction(tr("Log files…")).triggered.connect(lambda *_: self._files())
        button.setMenu(menu)
        button.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self.line, 1)
        row.addWidget(button)
        self.setFocusProxy(self.line)

    def paths(self) -> list:
        """Return the files, a folder as one path."""
        text = self.line.text().strip()
        if not text:
            return []
        if Path(text).exists():
            return [Path(text)]
        return [Path(each) for each in QgsFileWidget.splitFilePaths(text)]

    def set_paths(self, paths):
        """Show these paths."""
        texts = [str(path) for path in paths]
        one = texts[0] if len(texts) == 1 else " ".join(f'"{text}"' for text in texts)
        self.line.setText(one if texts else "")

    def _folder(self):
        chosen = QFileDialog.getExistingDirectory(self, tr("Folder of logs"), self._start())
        if chosen:
            self.set_paths([chosen])

    def _files(self):
        chosen, _ = QFileDialog.getOpenFileNames(self, tr("Log files"), self._start())
        if chosen:
            self.set_paths(chosen)

    def _start(self):
        paths = self.paths()
        if not paths:
            return ""
        return str(paths[0] if paths[0].is_dir() else paths[0].parent)
