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
[derive]                      # may be left out; these are the defaults
low_speed_rpm = 1800.0        # low speed up to here,
blend_rpm = 800.0             # blended into full load over so many rpm
cruise_below_share = 0.35     # light load, as a share of the highest,
full_load_from_share = 0.65   # and full load
margin_exhaust_c = 15.0       # kept under the ceiling, degC
margin_torque_pct = 3.0       # the same, %
margin_boost_pct = 3.0
share_without_run = 0.5       # most that is kept where no run was seen
curve_doubt_pct = 15.0        # how far torque may leave the line, %
low_down_rpm = 2000.0         # where torque low down is told

[[derive.tune]]               # none listed: an economy and a towing tune
name = "towing"
kind = "towing"               # or economy, power, other
low_speed_share = 0.8         # of the strong tune's correction
full_load_share = 0.6
cruise_share = 0.6
sustained_exhaust_c = 50.0    # so much lower is its ceiling, degC
sustained_torque_pct = 10.0   # the same, %
sustained_boost_pct = 5.0
# ceilings = { torque = { ceiling = 350, unit = "N.m" } }   # its own
"""
"""What the same file may say of tunes to make: every key, with the defaults of a towing tune."""
