class Planted:
    pass
