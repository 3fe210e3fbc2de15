"""Rimward: watches a player's shots, measures each rep, gives one useful cue.

The main loop, in short (live/loop.py)::

    for sighting in sightings(source, pose_network, pipeline.people_to_ask):
        step = pipeline.step(sighting)
        screen.show(step.view)
        if step.rep is not None:
            store.save(step.rep)
            speaker.play(step.feedback)
"""
