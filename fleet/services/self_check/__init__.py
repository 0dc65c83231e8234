"""What is wrong with an installation, found by trying, each with its remedy. Needs no daemon."""
