"""The files written for one exam and for a whole night: sheets, index, tables, plots and exports.

``output_files`` writes them all. ``sheet_content`` and ``sheet_entries`` hold what one animal's sheet says;
``sheet_html`` and ``pdf.sheet_pdf`` draw it. ``body_map``, ``sweep_plot``, ``timeline`` and ``egg_pictures`` are its
drawings; ``text``, ``history_text`` and ``shell_sign_text`` are its sentences. ``summary`` is one line per exam, for
``index`` and the tables. ``sign_off`` reads who signed an exam. ``sightings`` joins findings with scans, ``rendering``
fills templates, and ``export`` holds the files for other programs.
"""
