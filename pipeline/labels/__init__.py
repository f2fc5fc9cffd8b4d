"""Labels from signed exams: `frame_selection` chooses the frames, `writer` exports them as COCO and MOT files, `reader`
loads them for training."""
