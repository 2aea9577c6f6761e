"""Standard MIDI Files: bytes to arrays of events and back, with exact times.

==============  ==============================================================================
``records``     the song, its events, its chunks and its faults
``quantity``    variable-length quantities
``containers``  songs inside gzip and RIFF, and what is no song at all
``tracks``      the walk over chunks and events: where each event begins
``arrays``      from these places to arrays: times in ticks, status, data
``checks``      what the standard asks and the walk does not see
``read``        all of these together
``tempo``       exact times
``exclusive``   exclusive messages put together from their packets, escapes taken apart
``timeline``    whole messages in the order in which they are played
``metas``       what stands in a song's meta events, in words
``write``       events to bytes
==============  ==============================================================================

Source: Standard MIDI Files 1.0 (RP-001, revised February 1996). NumPy is imported by ``arrays`` and
whatever uses it, so import from the modules, not from here.
"""
