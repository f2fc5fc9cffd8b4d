"""The files written for one exam and for a whole night: sheets, index, tables, plots and exports.

``output_files`` writes them all. ``sheet_content`` holds what one animal's sheet says; ``sheet_html`` and
``pdf.sheet_pdf`` draw it. ``summary`` is one line per exam, for ``index`` and the tables. ``sign_off`` reads who signed
an exam. ``body_map``, ``sweep_plot``, ``timeline`` and ``egg_pictures`` are the sheet's drawings; ``text``,
``history_text`` and ``shell_sign_text`` are its sentences. ``export`` holds the files for other programs.
"""
