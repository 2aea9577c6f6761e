"""When bytes leave: what keeps its order, what may wait, and when the line is free.

================  ==============================================================
``items``         what is sent together, and the sorts of it
``classify``      of which sort a message is
``settings``      items of encoded parameters
``places``        which parameter raw messages set
``merge``         one source's raw messages made into items
``order``         the order rules: what goes next of what waits
``lane``          real time, which goes before all else
``admission``     who may wait
``line``          running status and selections, as the far end has them
``pacing``        all of it together with the arithmetic of the line
``release``       what lets go
``wire``          when every message of a song leaves a line, on whole arrays
``lateness``      how late messages and notes are
``load``          how full the line is, and how much waits
``causes``        why notes are late
``chords``        how far apart the notes of a chord begin
``bars``          bar and beat of a tick
``findings``      every kind of finding: one row
``wire_report``   all of these together for one song
``ordered``       the song under the order rules, on a virtual clock
``thin_points``   which values of a stream must stay
``thin_streams``  the streams of values in a song
``thinning``      a song with fewer values
``chase``         what stands for everything before a place in a song
``voices``        how many voices sound, and what is cut
================  ==============================================================

The rules in words: ``docs/reference/order.md``; wire time: ``docs/reference/wire-time.md``.
"""
