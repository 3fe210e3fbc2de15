"""Where the hoop is: the geometry between camera, floor, shooter and ring."""
