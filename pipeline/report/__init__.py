"""The files written for one exam and for a whole night: sheets, index, tables, plots and exports.

``exam_files`` makes those of an exam and ``output_files`` writes them, ``season_files`` those over all exams of a
``season``, ``run_line`` the dated line of the index. ``sheet_content``, ``verdict`` and ``sheet_entries`` hold what one
animal's sheet says; ``sheet_html`` and ``pdf.sheet_pdf`` draw it. ``body_map``, ``sweep_plot``, ``timeline``,
``egg_pictures`` with ``egg_overlay``, and ``range_bar`` are its drawings; ``text``, ``history_text`` and
``shell_sign_text`` are its sentences; ``links`` says where its links lead. ``summary`` is one line per exam, for the
tables and for ``index``, whose rows are in ``index_rows`` and, where they are many, packed by ``index_packing``.
``priority`` and ``waiting`` say who needs whom, ``rescan_slip`` whom to scan again, and ``thumbnail`` what to look at
first. ``sign_off`` reads who signed an exam. ``sightings`` joins findings with scans, ``rendering`` fills templates,
and ``export`` holds the files for other programs.
"""
