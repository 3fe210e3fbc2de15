"""Numbers by which shaders/scene.frag tells surfaces apart."""

SKIN, CLOTH, HAIR, SHOE = 0, 1, 2, 3
WOOD, BRICK, ASPHALT, GRASS = 10, 11, 12, 13
BALL, PRINT = 20, 30
