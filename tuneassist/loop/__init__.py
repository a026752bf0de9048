"""The tune loop: pooled rounds, the engine's response, when to stop, what to hold next.

::

    pool        the evidence of several rounds as one, older rounds fading when contradicted
    response    predicted against measured change: did the engine answer the last grid
    rounds      one round: response, pool, proposal, or a halt
    history     what happened to a tune, and the state that follows from it
    advice      continue, finished or halt, and why
    plan        what to hold next
    tunes       a set of tunes of one car
"""
