"""The parts of the null test: what it delivers, what it takes back, what it plants."""
