"""Ports: the ways to a module and from a controller, one kind a file.

=============  =====================================================================
``kind``       what a kind of port is
``names``      which port a name means
``table``      all kinds, and how an address is opened
``memory``     wires inside one process
``standin``    a simulated module
``file``       traces: record and replay
``scripted``   a far end or a pass-through that follows a file
``throughs``   pass-throughs and their faults, as functions of bytes and time
=============  =====================================================================

Kinds that stand on a driver: ``rtmidi_``, ``serial_``, ``osc``.
"""
