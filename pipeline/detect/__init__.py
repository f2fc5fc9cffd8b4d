"""What a person could check of an egg on the picture with a ruler and an eye: its wall, its shadow, its inside."""
