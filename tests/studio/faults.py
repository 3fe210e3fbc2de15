"""Which scripts have a fault, and which check it belongs to. Imports nothing: the program's own Python reads it too."""

FAULTY = {
    "elbow_out": "arm_line",
    "low_set_point": "set_point_height",
    "short_follow_through": "follow_through",
    "drift_forward": "landing_forward",
    "twist_in_air": "shoulder_turn",
    "step_back_wrong_order": "step_back_order",
}
"""Script and check."""
SOUND = (
    "good_free_throw",
    "good_jump_shot_two_motion",
    "one_motion",
    "step_back_right_order",
    "left_handed",
    "youth_1m45",
)
SIDES = ("side", "diag", "front", "behind")
SESSION = "session"
"""The condition of clips that hold several shots of one script."""
