"""The algorithms: arrays in, arrays out, inputs never changed. Nothing here knows recipes or steps."""
