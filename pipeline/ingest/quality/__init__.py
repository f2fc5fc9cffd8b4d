"""Whether a frame, and a clip as a whole, can be used.

usable_frames      `UsableFrames`: the frames of a clip that can be used
frame_quality      one frame: too dark, saturated, without contact, too fast, frozen
colour_doppler     colour over the echoes;  beam_map the few pixels that the judgement reads
clip_quality       the result for a whole clip, and the advice for the next scan
"""
