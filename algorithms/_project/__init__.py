"""The layers of a lake in a project: their groups, order, styles, themes and sheet."""
