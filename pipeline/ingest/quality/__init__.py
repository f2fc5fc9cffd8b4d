"""Whether a frame, and a clip as a whole, is fit for use."""
