"""The parts of `same_outputs.py`."""
