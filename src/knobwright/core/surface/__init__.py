"""The surface: named controls, what each sends, and what becomes of it. No clock: times come in.

===============  ==========================================================================
``kinds``        what a control can be, and the forms in which it sends
``records``      ``Control``, ``Surface``
``check``        ``check_surface``: a surface's TOML, all faults at once
``forms``        which form a control's line has
``moves``        ``Move``: what a control did
``recognise``    ``Recogniser``: messages in, moves out
``relative``     codings of encoders without an end, acceleration
``curves``       response curves and their inverses
``meeting``      three ways to meet a stored value
``assignment``   ``Assignment``, ``Wish``, ``Shown``, and what is wrong with an assignment
``raws``         the values that a control can set, counted
``tied``         one assignment at work
``assignments``  ``Assignments``: all of one input, with layers
``echo``         ``Echo``: values shown back on the controls
``zones``        ``Zone``: where a part of the keyboard goes
``keyboard``     ``Keyboard``: notes routed through zones
``hearing``      ``Hearing``: move a control, and its description is written down
===============  ==========================================================================
"""
