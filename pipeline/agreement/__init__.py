"""How well a centre's estimates agree with the outcomes it recorded later.

``pairs`` matches each outcome with an exam. ``limits_of_agreement`` has the statistics, and ``summary`` computes them
over all pairs, by species and by operator. ``text`` puts them into sentences; ``bland_altman_plot`` and ``page`` make
``agreement.html``.
"""
