"""When bytes leave: what keeps its order, what may wait, and when the line is free.

==============  ==============================================================
``items``       what is sent together, and the sorts of it
``classify``    of which sort a message is
``settings``    items of encoded parameters
``places``      which parameter raw messages set
``merge``       one source's raw messages made into items
``order``       the order rules: what goes next of what waits
``lane``        real time, which goes before all else
``admission``   who may wait
``line``        running status and selections, as the far end has them
``pacing``      all of it together with the arithmetic of the line
``release``     what lets go
==============  ==============================================================

The rules in words: ``docs/reference/order.md``.
"""
