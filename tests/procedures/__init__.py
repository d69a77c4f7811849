"""Each bench test as a whole procedure, many times, on cells as they are recorded."""
