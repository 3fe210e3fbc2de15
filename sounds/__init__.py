"""Tones shipped with Rimward (read through rimward.live.assets)."""
