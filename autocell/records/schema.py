"""What the run store's tables look like, version by version.

``STEPS[n]`` takes a store from version n to n + 1. A step that has been released never changes.
Lengths are metres, angles radians, powers watts; ``time_s`` is bench time since the run began,
``utc`` the machine's clock at the moment of writing (ISO 8601).
"""

APPLICATION_ID = 0x6163656C
"""Marks the file as a run store, so that another program's database is not mistaken for one."""

STEPS: tuple[tuple[str, ...], ...] = (
    (
        """
        CREATE TABLE runs (
            sequence INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            command TEXT NOT NULL,
            arguments TEXT NOT NULL,
            version TEXT NOT NULL,
            bench_name TEXT NOT NULL,
            bench_path TEXT NOT NULL,
            bench_sha256 TEXT NOT NULL,
            bench_text TEXT,
            started_utc TEXT NOT NULL,
            finished_utc TEXT,
            verdict TEXT,
            wanted_passes INTEGER,
            passes INTEGER,
            proved INTEGER NOT NULL DEFAULT 0,
            outcome TEXT
        )
        """,
        "CREATE INDEX runs_by_bench ON runs (bench_name, passes, proved)",
        """
        CREATE TABLE moves (
            run TEXT NOT NULL REFERENCES runs (id),
            number INTEGER NOT NULL,
            axis TEXT NOT NULL,
            start REAL NOT NULL,
            target REAL NOT NULL,
            purpose TEXT NOT NULL,
            intended_s REAL NOT NULL,
            intended_utc TEXT NOT NULL,
            ended_s REAL,
            ended_utc TEXT,
            position REAL,
            outcome TEXT,
            PRIMARY KEY (run, number)
        )
        """,
        """
        CREATE TABLE readings (
            run TEXT NOT NULL REFERENCES runs (id),
            number INTEGER NOT NULL,
            time_s REAL NOT NULL,
            utc TEXT NOT NULL,
            spacing_m REAL NOT NULL,
            x_m REAL NOT NULL,
            y_m REAL NOT NULL,
            slope_x REAL NOT NULL,
            slope_y REAL NOT NULL,
            power_w REAL NOT NULL,
            uncertainty_w REAL NOT NULL,
            samples INTEGER NOT NULL,
            purpose TEXT NOT NULL,
            PRIMARY KEY (run, number)
        )
        """,
        """
        CREATE TABLE events (
            run TEXT NOT NULL REFERENCES runs (id),
            number INTEGER NOT NULL,
            time_s REAL NOT NULL,
            utc TEXT NOT NULL,
            kind TEXT NOT NULL,
            text TEXT NOT NULL,
            PRIMARY KEY (run, number)
        )
        """,
    ),
    (
        """
        CREATE TABLE positions (
            run TEXT NOT NULL REFERENCES runs (id),
            axis TEXT NOT NULL,
            position REAL NOT NULL,
            utc TEXT NOT NULL,
            PRIMARY KEY (run, axis)
        )
        """,
    ),
    (
        """
        CREATE TABLE first_moves (
            run TEXT NOT NULL REFERENCES runs (id),
            axis TEXT NOT NULL,
            hardware TEXT NOT NULL,
            seen_right INTEGER NOT NULL,
            utc TEXT NOT NULL,
            PRIMARY KEY (run, axis)
        )
        """,
        """
        CREATE TABLE axis_measurements (
            run TEXT NOT NULL REFERENCES runs (id),
            axis TEXT NOT NULL,
            hardware TEXT NOT NULL,
            backlash REAL NOT NULL,
            figures TEXT NOT NULL,
            utc TEXT NOT NULL,
            PRIMARY KEY (run, axis)
        )
        """,
    ),
    (
        """
        CREATE TABLE step_counts (
            run TEXT NOT NULL REFERENCES runs (id),
            axis TEXT NOT NULL,
            hardware TEXT NOT NULL,
            state TEXT NOT NULL,
            utc TEXT NOT NULL,
            PRIMARY KEY (run, axis)
        )
        """,
        """
        CREATE TABLE step_gains (
            run TEXT NOT NULL REFERENCES runs (id),
            axis TEXT NOT NULL,
            hardware TEXT NOT NULL,
            backward REAL NOT NULL,
            backward_u REAL NOT NULL,
            figures TEXT NOT NULL,
            utc TEXT NOT NULL,
            PRIMARY KEY (run, axis)
        )
        """,
    ),
)
