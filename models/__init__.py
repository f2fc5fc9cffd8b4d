"""The learned part: tensors in, tensors out. Knows no files of exams and no phantoms."""
