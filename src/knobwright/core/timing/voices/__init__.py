"""Voices of a song: how many sound at once, and what happens where the module has fewer.

============  ======================================================================
``front``     the voices of a song, measured: what the other packages call
``play``      what of a song decides about voices, in playing order
``lookup``    what a channel said last before a moment
``module``    what a module does with voices, and what the user chooses
``notes``     which note-off ends which note
``pedals``    damper and sostenuto
``programs``  what each note takes
``ends``      tails, and what cuts a note before its end
``count``     sums over time
``cuts``      which notes are cut, by which rule
``told``      cut notes one by one, and what every rule would cut
``change``    a song with some events left out or moved
``doubles``   doubled notes
``suggest``   what helps, and how much
``findings``  findings with their place
============  ======================================================================

The rules in words: ``docs/reference/voices.md``.
"""
