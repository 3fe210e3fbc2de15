"""What `rimward demo` calls its invented player and its clip: nobody's practice, which stays where it was shown."""

from __future__ import annotations

PLAYER = "demo"
CLIP = "demo_clip.mp4"
