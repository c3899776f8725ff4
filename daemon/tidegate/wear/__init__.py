"""What charge, heat and cycles do to a cell: counting, published models, measurements.

Pure: numbers in, numbers out. The models estimate; they are no state of health. What
was measured of a cell (capacity, resistance) stands apart from what they say.
"""
