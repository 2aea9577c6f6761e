"""The link test: what is sent through a link, what must come back, and which fault it has if not.

=================  ======================================================================
``faults``         the table of faults: name, sentence, next step
``records``        stages, what came back, findings, the result
``content``        messages that can be told from each other, and the clockwork of a stage
``stages``         what is sent with rests: single messages, running status, real time
``stages_rate``    what is sent at full rate, exclusives by length and by rest, latency
``matching``       which message that came back is which that was sent
``fates``          what became of an exclusive; what became of bytes at full rate
``changes``, ``chance``  values changed by a rule; lost or changed by chance
``judge``          faults of single messages
``judge_status``   faults of running status and real time
``judge_rate``     faults at full rate
``judge_exclusive``  exclusives by length and by the rest after them
``latency``        figures of the time a message takes
``session``        which stage is next, given what came back so far
=================  ======================================================================

To add a fault: a row in ``faults.FAULTS``, the stage that brings it out, the judge that names it,
and a broken pass-through in the tests that proves it.
"""
