"""Rimward: watches a player's shots, measures each rep, gives one useful cue.

The main loop, in short (live/loop.py)::

    for frame in source:
        step = pipeline.step(frame)
        screen.show(step.view)
        if step.rep is not None:
            store.save(step.rep)
            speaker.play(step.feedback)
"""
