"""Settings and word tables shipped with Rimward (read through rimward.live.assets)."""
