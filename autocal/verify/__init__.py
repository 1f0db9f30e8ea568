"""Is a calibration still right, how do two of them differ, how did a unit change over time?

`check` judges a calibration against footage and `film` lets a finished film be judged by itself; `compare`
and `compare_on` set calibrations beside each other; `history` follows those of one unit.
"""
