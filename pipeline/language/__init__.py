"""The language of the pages: their sentences, and what is stored in English, in the words of a reader.

`translation` gives a sentence in the language in use, `style` says which one that is and how numbers look, and
`stored_text` puts results that are stored in English into it; `vocabulary` lists their words. `catalogue` reads
``catalogues/LANGUAGE.po``, one file for each language, when it is first needed; English is the source and has none.
`extraction` collects all sentences from the sources into ``catalogues/pages.pot``. Tables, results and the terminal are
in English, whatever the pages are in.
"""
