"""A complete list of tunes, for help and messages, without heavy imports."""

EXAMPLE = """\
setup = "car.toml"        # for every tune that names none of its own

[[tune]]                  # one for each tune, least power first
name = "standard"
kind = "standard"         # or economy, towing, power, other
grid = "standard.csv"     # correction grid; of the standard tune all zeros
run = "standard-run.csv"  # may be left out: a full-load log, or a table
                          # rpm,torque_nm (and, or else: power_kw);
                          # lambda,exhaust_temp_c,boost_kpa are checked
                          # too; barometer_kpa,intake_temp_c give the air
air = [98.7, 24]          # may be left out: kPa and degC of the air outside
                          # on that day, where the run does not have it

[[tune]]
name = "trailer"
kind = "towing"
setup = "trailer.toml"    # only where target or limits differ
grid = "trailer.csv"
run = "trailer-run.csv"
"""
"""A complete ``tunes.toml`` with every key; paths are relative to its folder."""
