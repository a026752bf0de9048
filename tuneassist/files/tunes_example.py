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
ceilings = { exhaust_temp = { ceiling = 670, unit = "degC" } }  # lower ones
"""
"""A complete ``tunes.toml`` with every key; paths are relative to its folder."""

DERIVE_EXAMPLE = """\
[derive]                  # may be left out: what "tunes derive" makes
margin_exhaust_c = 20.0

[[derive.tune]]           # none listed: an economy and a towing tune
name = "trailer"
kind = "towing"           # its defaults: economy, towing, power, other
full_load_share = 0.5     # of the strong tune's correction
ceilings = { torque = { ceiling = 350, unit = "N.m" } }
"""
"""What the same file may say of tunes to make."""
