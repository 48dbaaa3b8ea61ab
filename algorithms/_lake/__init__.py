"""The lake as a folder: what is known of it, where its files are, its runs and its steps.

What only looks at a lake (:mod:`.facts`, :mod:`.folder`, :mod:`.runs`, :mod:`.steps`,
:mod:`.states`, :mod:`.sources`, :mod:`.lock`) needs no layers of QGIS; :mod:`.making`,
:mod:`.bringing_in` and :mod:`.filling` do.
"""
