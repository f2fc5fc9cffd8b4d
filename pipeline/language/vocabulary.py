"""Words and parts of sentences that results and errors are made of, marked here to be translated by `stored_text`.

Whole sentences are marked where they are written, or given to a function that `extraction` knows. What is built from
several parts is listed here as it comes out.
"""

from __future__ import annotations

from pipeline.language.translation import stored

__all__ = ["VOCABULARY"]

VOCABULARY = (
    # Stages, urgencies, windows, shapes, outcomes.
    stored("calcified"),
    stored("thin-shelled"),
    stored("follicle"),
    stored("mixed"),
    stored("none seen"),
    stored("vet today"),
    stored("check"),
    stored("note"),
    stored("left"),
    stored("right"),
    stored("oval"),
    stored("round"),
    stored("laid"),
    stored("radiograph"),
    stored("surgery"),
    stored("hatched"),
    # Signs of a shell.
    stored("dark"),
    stored("grey"),
    stored("bright"),
    stored("even"),
    stored("uneven"),
    stored("{tone} with a brighter middle"),
    stored("{tone} with a darker middle"),
    stored("no wall to be seen"),
    stored("bright wall"),
    stored("faint wall"),
    stored("clear shadow"),
    stored("little shadow"),
    stored("strong shell"),
    stored("thin shell"),
    stored("no yolk to be seen"),
    stored("yolk visible"),
    stored("yolk visible: newly shelled"),
    # Frames that could not be used, and what helps.
    stored("{number} too dark"),
    stored("{number} saturated"),
    stored("{number} no contact"),
    stored("{number} colour Doppler"),
    stored("{number} too fast"),
    stored("{number} frozen"),
    stored("use more gel, keep the whole face of the probe on the skin, and sweep more slowly"),
    stored("use more gain, and more gel"),
    stored("use less gain"),
    stored("move the probe more slowly, and hold the animal still"),
    stored("turn off colour Doppler: its colours hide the echoes"),
    stored("record while the picture moves"),
    stored("record again"),
    stored("{hint}: most of the {side} side was lost to poor contact"),
    stored("her left side"),
    stored("her right side"),
    stored("what {clip} shows"),
    stored("no part of the screen shows echoes in any of {number} frames ({causes}); for the next scan: {hint}."),
    stored("only {number} of {frames} frames could be used ({causes}); for the next scan: {hint}."),
    stored("only the first {number} frames could be read; {why}."),
    stored("no reason was given."),
    # Values in the sentences of flags.
    stored("number {number}"),
    stored("number {number} ({size})"),
    stored("length {low} to {high} mm"),
    stored("width {low} to {high} mm"),
    stored("{low} to {high}"),
    stored("0 or 1"),
    stored("{number} shelled egg"),
    stored("{number} shelled eggs"),
    stored("{number} eggs ({passed} passed, {seen} seen)"),
    stored("more"),
    stored("fewer"),
    stored("Sweep once more, slowly."),
    stored("Sweep from the other side, too."),
    stored("Sweep there and back, slowly."),
    stored("Sweep there and back, or from both sides."),
    stored("Check whether eggs were counted twice."),
    stored("She may have laid some already, or some were missed."),
    stored("The species is unknown"),
    stored("There is no profile of {species}"),
    stored(", and none is known to have left her"),
    stored(", and {number} is known to have left her since"),
    stored(", and {number} are known to have left her since"),
    # Clips that were refused, and their scale.
    stored("export it from the scanner again"),
    stored("export it with 8 bits or without compression, or install clutchlight[jpeg-gpl]"),
    stored("its header is damaged or contradicts itself; export it from the scanner again."),
    stored("this is a text file under a video's name; copy the clip from the scanner again."),
    stored("not a supported video format, or damaged at its beginning; export it as MP4 (H.264)."),
    stored(
        "the recording was cut off before its index was written, so nothing in it can be played; copy it from the "
        "scanner again."
    ),
    stored("its name holds control or invisible characters; rename it."),
    stored("its name holds a backslash, which separates folders on Windows; rename it."),
    stored("a link that leads nowhere; copy the file itself."),
    stored("exam.toml names this file, but it is missing; correct the name, or copy the file here."),
    stored("exam.toml may only name files in its own folder; correct the name."),
    stored("exam.toml names this file, but it is not a video, picture or DICOM file; correct the name."),
    stored("cannot be opened: {problem}; copy it again."),
    stored("a link that leads out of the recordings' folder; copy the file itself."),
    stored("not a regular file; remove it."),
    stored("exam.toml says {number} mm/px, the file's own scale was used"),
    stored("from {ruler}, with ticks of {number} mm as set in the settings"),
    stored("consistent with {ruler}, ticks {number} mm apart"),
    stored("the ruler on the screen (confidence {number})"),
    stored("{ruler} has ticks {number} px apart, but their distance in mm is unknown (setting ruler_tick_mm)"),
    # Errors of the review.
    stored("{names} answered about the same egg in the meantime. Keep theirs, or send yours again."),
    stored("You have nothing to undo."),
    stored("You have nothing to redo."),
    stored(
        "Number {number} is uncertain and not counted. Before you sign, say what you see there, or that you cannot "
        "tell."
    ),
    stored(
        "Numbers {numbers} are uncertain and not counted. Before you sign, say what you see there, or that you cannot "
        "tell."
    ),
    stored("Too many attempts. Try again in {number} s."),
    stored("This server does not know this name as its own. Whoever runs it can add it: start it with {option}."),
    stored("The request is too large: more than {number} KiB."),
    stored("Other clips have been opened since. Try again."),
    stored("{file} cannot be shown: {error}"),
    stored("Run the batch over its recordings again."),
    stored("date: {problem}."),
    stored("number: {problem}."),
    stored("note: {problem}."),
)
