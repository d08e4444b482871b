# What Alder Fork calls people out for. The same rules as
# alderfork-rules.hcl, in US units.
#
# Each rule names what it covers, from when it is trouble, how long it must last
# (on_delay) and whom it wakes (priority): "call-out" wakes somebody now, by day
# or night; "morning" waits for the morning round; "note" only goes into the
# journal. An alarm returns to normal when the value is back inside the setpoint
# by the deadband and has stayed there for the off_delay.
#
# Every figure here is a place to start from, with its source or the words
# "common practice, no source". Watch your own water for some weeks and set your
# own. can_happen and to_do are what the person woken at 3 a.m. will read: keep
# them short, plain and true for your house.
#
# Whoever goes out at night: tell somebody first and take somebody along.
# Switch the mains off before you touch a pump, a heater or anything electric
# near water, and leave mains repairs to a licensed electrician. These alarms
# come on top of a float switch and a look at the water, never in their place.

# The spring feeds everything. All units together are built for about 560 gpm; below
# 550 gpm the head box no longer spills over and they begin to share what is
# left (from the site's own design flows). On-delay: common practice, no source.
low_flow "spring" {
  covers {
    units = ["spring"]
  }
  setpoint   = "550 gpm"
  deadband   = "13 gpm"
  on_delay   = "60 s"
  off_delay  = "5 min"
  priority   = "call-out"
  can_happen = "All units get less water. Fish in the raceways run short of oxygen first, within the hour; eggs hold out longer while they stay wet and cool."
  to_do      = <<-EOT
    Take somebody along. Look at the intake screen first: leaves or ice are the
    usual cause, and it is cleared with the rake from the walkway. Never step
    into the intake alone. If the screen is clear, check the head box and turn
    the flow of empty units down so that stocked ones keep theirs.
  EOT
}

# Below these shares of the design flow something is shut or blocked: common
# practice, no source. A trough at half its flow halves the oxygen that comes in.
low_flow "stacks" {
  covers {
    kinds = ["stack"]
  }
  share_of_design_flow = "75%"
  on_delay             = "2 min"
  off_delay            = "2 min"
  priority             = "call-out"
  can_happen           = "Eggs in the lower trays get stale water. Wet eggs last a few hours; sac fry much less."
  to_do                = "Look at the stack's valve and the screen of its top tray. Open the valve slowly, so that the eggs do not roll. If there is no water at all, keep the trays wet and dark."
}

low_flow "troughs" {
  covers {
    kinds = ["trough"]
  }
  share_of_design_flow = "70%"
  on_delay             = "60 s"
  off_delay            = "2 min"
  priority             = "call-out"
  can_happen           = "Fry use up the oxygen of a still trough in minutes when it is full of fish, in an hour when it is not."
  to_do                = "See that the standpipe is down and seated and the tail screen is clear. Then open the valve. Stop feeding until the flow has been right for an hour."
}

low_flow "deep troughs and raceways" {
  covers {
    kinds = ["deep trough", "raceway"]
  }
  share_of_design_flow = "70%"
  on_delay             = "60 s"
  off_delay            = "2 min"
  priority             = "call-out"
  can_happen           = "The fish crowd to the inflow and oxygen falls from the tail up. Heavy stock has less than an hour."
  to_do                = "Look for a standpipe left up. Take somebody along. Then look for a blocked tail screen, then at the valve. Stop feeding."
}

# Far more water than a stack is built for rolls the eggs or lifts them out of
# their trays: common practice, no source.
high_flow "stacks" {
  covers {
    kinds = ["stack"]
  }
  share_of_design_flow = "140%"
  on_delay             = "5 min"
  off_delay            = "5 min"
  priority             = "call-out"
  can_happen           = "Eggs roll and are hurt, green ones most of all, or are washed out of the trays."
  to_do                = "Turn the stack's valve down slowly. Then look which other unit was shut, and so pushed its water here."
}

# What the spring gives against what all units get. At Alder Fork the head box
# spills about 7% over in ordinary times. Both shares: common practice, no source.
water_balance "spring and units" {
  covers {
    kinds = ["stack", "trough", "deep trough", "raceway"]
  }
  source       = "spring"
  allowed_loss = "15%"
  allowed_gain = "5%"
  deadband     = "2%"
  on_delay     = "10 min"
  off_delay    = "10 min"
  priority     = "call-out"
  can_happen   = "Water is lost before it reaches the fish: a pipe leaks, a drain stands open or a screen is blocked. If more arrives than the spring gives, a meter reads wrong and low flow may not be told."
  to_do        = "Look for wet ground along the pipe. Take somebody along. Then look for an open drain or valve, then at the screens of the head box. If all is dry and clear, compare the meters."
}

# Handbooks keep 5 mg/L at the outflow for trout (from memory). Calling at
# 6 mg/L leaves time to get there; a heavily stocked trough falls from 6 to 5 in
# three minutes, so two readings in a row must do.
low_oxygen "raceways and deep troughs" {
  covers {
    kinds = ["raceway", "deep trough"]
  }
  setpoint   = "6 mg/L"
  deadband   = "0.5 mg/L"
  on_delay   = "45 s"
  off_delay  = "5 min"
  priority   = "call-out"
  can_happen = "Below 5 mg/L trout are in distress; well below it they die, the largest first."
  to_do      = <<-EOT
    Look at the fish: gasping at the inflow means that it is true. Give more
    water, and stop feeding. Switch on the aerator where there is one, with dry
    hands and from its own switch. If the fish are quiet and the flow is right,
    rinse the probe and compare it with the hand meter.
  EOT
}

# Two signs at once are worth going out for before either alone would be: a
# screen that clogs slowly, and fish that already feel it. 85% of the design flow,
# 7 mg/L, and 3.6 degF above the spring: common practice, no source. flow, oxygen
# and temperature are the unit's own.
condition "clogging" {
  covers {
    kinds = ["raceway", "deep trough"]
  }
  when       = flow < "85%" * design_flow && (oxygen < "7 mg/L" || temperature - unit["spring"].temperature > "3.6 degF")
  until      = flow > "90%" * design_flow || (oxygen > "7.5 mg/L" && temperature - unit["spring"].temperature < "2.7 degF")
  lasting    = "10 min"
  off_delay  = "5 min"
  says       = "less water, and the fish feel it"
  priority   = "call-out"
  can_happen = "The flow goes on falling, and oxygen with it. Heavy stock has a few hours, or less when the screen closes."
  to_do      = "Look at the tail screen first, then at the valve. Stop feeding until the flow has been right for an hour."
}

# Spring water that runs out of the hill comes up at about nine tenths of
# saturation here. A fall is slow and needs nobody at night. Common practice, no
# source.
low_oxygen "spring" {
  covers {
    units = ["spring"]
  }
  setpoint   = "80% saturation"
  deadband   = "3% saturation"
  on_delay   = "15 min"
  off_delay  = "15 min"
  priority   = "morning"
  can_happen = "Every unit starts with less oxygen, and the raceways have less to spare."
  to_do      = "Rinse the probe and compare it with the hand meter. If it is true, look at the packing of the head box."
}

# Oxygen above saturation goes with other gas above saturation, which no probe
# here reads. Above about 105 to 110% trout, sac fry first, get bubbles in blood
# and gills within hours to days (from memory).
high_oxygen "spring, raceways and deep troughs" {
  covers {
    kinds = ["spring", "raceway", "deep trough"]
  }
  setpoint   = "110% saturation"
  deadband   = "3% saturation"
  on_delay   = "30 min"
  off_delay  = "15 min"
  priority   = "call-out"
  can_happen = "Gas bubbles form in gills and fins; sac fry float with the belly up."
  to_do      = "Look whether a pump or a pipe draws air, or the spring's level has fallen. Let the water splash: through the packing of the head box or over a board. Compare the probe with the hand meter."
}

# Spring water hardly changes within a day: a day's swing of 0.4 degF and some
# more after rain are usual. Common practice, no source.
temperature_drift "spring and stacks" {
  covers {
    kinds = ["spring", "head box", "stack"]
  }
  departure  = "2 degF"
  deadband   = "0.4 degF"
  window     = "24 h"
  on_delay   = "10 min"
  off_delay  = "10 min"
  priority   = "morning"
  can_happen = "Eggs take a slow change well and a fast one badly. Surface water in the spring also brings silt, and the hatch comes on another day."
  to_do      = "Compare with the hand thermometer. After rain or melt, look whether surface water runs into the spring."
}

# Water that is warmer or colder than the spring has stood still on its way, or
# the probe lies dry. Common practice, no source. Troughs without a thermometer
# are left out.
temperature_from_spring "stacks and troughs" {
  covers {
    kinds  = ["stack", "trough"]
    except = ["trough 2", "trough 4", "trough 6", "trough 8", "trough 10"]
  }
  departure  = "3 degF"
  deadband   = "0.4 degF"
  on_delay   = "10 min"
  off_delay  = "10 min"
  priority   = "call-out"
  can_happen = "The water stands and takes on the warmth of the room, or the probe is out of the water and nothing watches the eggs."
  to_do      = "Look whether water runs through the unit and whether the probe lies in it."
}

temperature_from_spring "raceways" {
  covers {
    kinds = ["deep trough", "raceway"]
  }
  departure  = "5 degF"
  deadband   = "0.4 degF"
  on_delay   = "20 min"
  off_delay  = "10 min"
  priority   = "morning"
  can_happen = "Outdoor water that departs far from the spring runs too slowly for the weather."
  to_do      = "Compare the flow with the design flow, and look for ice or a warm side inflow."
}

# The same water runs through all troughs, so one that reads unlike the others has
# a probe that drifts or water that stands. Common practice, no source.
from_sister "troughs" {
  covers {
    kinds  = ["trough"]
    except = ["trough 2", "trough 4", "trough 6", "trough 8", "trough 10"]
  }
  departure  = "1.5 degF"
  deadband   = "0.4 degF"
  sisters    = "median"
  on_delay   = "30 min"
  off_delay  = "30 min"
  priority   = "morning"
  can_happen = "The thermal units of this trough, and with them its hatch and swim-up, are counted wrong."
  to_do      = "Compare the probe with the hand thermometer, in the middle of the trough. Then look whether its water runs as in the others."
}

# Fish and eggs bear a slow change of temperature well and a fast one badly; many
# keepers allow 2 degF in an hour when they move them. Common practice, no source.
fast_change "temperature of spring and stacks" {
  covers {
    kinds = ["spring", "stack"]
  }
  change     = "4 degF"
  within     = "1 h"
  deadband   = "0.8 degF"
  on_delay   = "2 min"
  off_delay  = "10 min"
  priority   = "call-out"
  can_happen = "A shock of warm or cold water kills eggs and sac fry, or makes them hatch too early."
  to_do      = "Look whether water runs and the probe lies in it. After a storm look for surface water in the spring."
}

# Over weeks a spring hardly moves. These are told only when even the least slope
# that the days admit, and not the likeliest, is beyond the change. Common
# practice, no source.
slow_drift "spring temperature" {
  covers {
    units = ["spring"]
  }
  change     = "1 degF"
  per        = "7 d"
  over       = "14 d"
  priority   = "morning"
  can_happen = "The probe drifts, and every rule that compares with the spring is wrong by as much; or the spring takes in surface water."
  to_do      = "Compare with the hand thermometer at the same place. If the probe is right, look at rain, melt and works uphill."
}

slow_drift "spring flow" {
  covers {
    units = ["spring"]
  }
  change     = "16 gpm"
  per        = "7 d"
  over       = "14 d"
  direction  = "falling"
  priority   = "morning"
  can_happen = "The spring goes down towards the low flow alarm. There are days or weeks to act in now, and minutes then."
  to_do      = "Clean the intake screen and compare the meter with a bucket and a watch. If it is true, plan which units to empty first."
}

# Eggs of char and trout do well between these. Common practice, no source; a
# 2003 study of brown trout found the best survival at 46 to 50 degF and no
# hatch at 61 degF.
temperature_band "eggs" {
  covers {
    kinds = ["stack"]
  }
  low        = "39 degF"
  high       = "52 degF"
  deadband   = "0.5 degF"
  on_delay   = "5 min"
  off_delay  = "10 min"
  priority   = "call-out"
  can_happen = "Too warm, eggs die or hatch weak; too cold, they stand still and ice may stop the water."
  to_do      = "Compare with the hand thermometer. See that water runs, then follow it back towards the spring. Change the temperature slowly: no more than 2 degF in an hour."
}

# Without mains the pumps, the aerators and in the end the network stop. Two
# minutes let a flicker or the start of a generator pass: common practice, no
# source. A float switch, a door or a generator is watched in the same way.
contact "mains" {
  covers {
    probes = ["mains"]
  }
  alarm_when = "open"
  means      = "mains power lost"
  on_delay   = "2 min"
  priority   = "call-out"
  can_happen = "Pumps and aerators stand still. Spring water goes on running, but no alarm will come once the batteries are empty."
  to_do      = "Look at the water and the fish first. Then see whether it is the house or the whole line, and start the generator from outside its shed. Leave repairs to a licensed electrician."
}

# A probe that says the same to the last digit, jumps, says what cannot be or
# hangs in the air tells nothing of its water: it is alarmed itself, and nothing
# else goes by it but low flow and low oxygen. A suspicion takes away no call-out:
# rules that ask for more than the probe's own alarm are judged as ever. How long a
# probe may rest and how far it may jump: common practice, no source. Each probe's
# own habit is waited for as well, so that coarse ones are not called stuck.
stuck_probe "flow and oxygen" {
  covers {
    all        = true
    except     = ["head box"]
    quantities = ["flow", "oxygen"]
  }
  longer_than = "2 h"
  priority    = "call-out"
  can_happen  = "The number looks right and the water may be gone."
  to_do       = "Look at the water first. If it runs, clean the probe, look at its cable, and take its power away for a minute."
}

stuck_probe "temperature" {
  covers {
    all        = true
    except     = ["trough 2", "trough 4", "trough 6", "trough 8", "trough 10"]
    quantities = ["temperature"]
  }
  longer_than = "12 h"
  priority    = "morning"
  can_happen  = "Nobody sees the water get warmer or colder, and thermal units come from another probe."
  to_do       = "Compare with the hand thermometer, then take the probe's power away for a minute."
}

# Somebody at a standpipe makes a number go down and up once or twice. Five times
# to and fro within an hour is a loose plug. A jump is from one reading to the
# next, at most 2 min or two intervals apart. Common practice, no source.
jumping_probe "temperature" {
  covers {
    all    = true
    except = ["trough 2", "trough 4", "trough 6", "trough 8", "trough 10"]
  }
  change     = "4 degF"
  times      = 5
  priority   = "morning"
  can_happen = "The number says nothing. Thermal units come from another probe."
  to_do      = "Look for a loose plug or a wet joint in the cable."
}

jumping_probe "oxygen" {
  covers {
    kinds      = ["spring", "raceway", "deep trough"]
    quantities = ["oxygen"]
  }
  change     = "2 mg/L"
  times      = 5
  priority   = "morning"
  can_happen = "The number says nothing, and low oxygen may be told late or for nothing."
  to_do      = "Rinse the probe and look for air bubbles on it, then for a loose plug."
}

jumping_probe "flow" {
  covers {
    all        = true
    except     = ["head box"]
    quantities = ["flow"]
  }
  share_of_design_flow = "40%"
  times                = 5
  priority             = "morning"
  can_happen           = "The number says nothing, and low flow may be told late or for nothing."
  to_do                = "Look whether the water comes in bursts: air in the pipe. If it runs evenly, look at the probe's plug."
}

# A broken wire reads as very cold, a short as very hot. Once may be the radio.
impossible_value "all" {
  covers {
    all = true
  }
  on_delay   = "5 min"
  priority   = "morning"
  can_happen = "Nothing watches this water while the probe says what cannot be."
  to_do      = "Look at the probe's cable and plug."
}

# Farther from the spring than this, and there faster than standing water can be:
# common practice, no source. Water that stands in a draught can look alike, and
# then the rules above call out.
probe_in_air "all with a thermometer" {
  covers {
    all    = true
    except = ["trough 2", "trough 4", "trough 6", "trough 8", "trough 10"]
  }
  departure  = "5.5 degF"
  on_delay   = "10 min"
  off_delay  = "30 min"
  priority   = "morning"
  can_happen = "The probe measures the room and not the water, or the water has run out."
  to_do      = "See that there is water, and put the probe back where it runs."
}

# A probe that says nothing hides everything else. Some missed readings can be
# the radio; this many are not. With 5 min for the spring, four silent minutes and
# one lost message called somebody out for nothing; if its water stops meanwhile,
# the units' own probes tell. Common practice, no source.
silent_probe "spring" {
  covers {
    units = ["spring"]
  }
  after      = "8 min"
  priority   = "call-out"
  can_happen = "Nobody would hear of it if the spring stopped."
  to_do      = "Go and look at the water first, then at the logger. Check its battery and cable by hand; leave anything on mains off until it is isolated and dry."
}

silent_probe "all others" {
  covers {
    all    = true
    except = ["spring"]
  }
  after      = "15 min"
  priority   = "call-out"
  can_happen = "Nothing watches this water until the probe speaks again."
  to_do      = "Look at the water and the fish first. Then look at the probe's cable and its box. If many are silent at once, look at the power and the network."
}

# Work that was not done by its hour.
missed_chore "intake clearing" {
  chore      = "intake clearing"
  on_delay   = "15 min"
  priority   = "call-out"
  can_happen = "Leaves and ice build up on the screen until the spring's flow falls."
  to_do      = "Two people clear the intake, from the walkway. Then mark it as done."
}

missed_chore "cleaning" {
  chore      = "cleaning"
  on_delay   = "30 min"
  priority   = "morning"
  can_happen = "Waste and uneaten feed take oxygen, and fungus spreads."
  to_do      = "Clean the unit, put its standpipe back down, and mark it as done."
}
