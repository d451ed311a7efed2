"""What goes wrong on a simulated bench: each fault by name and magnitude, begun by a schedule.

``scenario`` reads a file, ``schedule`` says when a fault begins, and ``director`` begins and ends
it on a ``Rig``. The faults themselves are in a module for each part of the bench: ``mechanics``,
``light``, ``meter``, ``wire``, ``environment``, ``host``.
"""
