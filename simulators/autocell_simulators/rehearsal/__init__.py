"""Rehearsals: a procedure run on many simulated benches, before it is run on the one that counts.

``one`` rehearses one bench, ``campaign`` many of them, ``processes`` and ``dask_pool`` carry the
work out, ``summary`` counts, ``summary_text``, ``figures`` and ``page`` show.
"""
