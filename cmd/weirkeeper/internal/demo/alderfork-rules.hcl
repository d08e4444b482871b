# What Alder Fork calls people out for. The same rules in US units
# are in alderfork-us-rules.hcl.
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

# The spring feeds everything. All units together are built for 2126 L/min; below
# 2100 L/min the head box no longer spills over and they begin to share what is
# left (from the site's own design flows). On-delay: common practice, no source.
low_flow "spring" {
  covers {
    units = ["spring"]
  }
  setpoint   = "2100 L/min"
  deadband   = "50 L/min"
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
  to_do                = "Take somebody along. Look for a standpipe left up after cleaning, then for a blocked tail screen, then at the valve. Stop feeding."
}

# Handbooks keep 5 mg/L at the outflow for trout (from memory). Calling at
# 6 mg/L leaves time to get there.
low_oxygen "raceways and deep troughs" {
  covers {
    kinds = ["raceway", "deep trough"]
  }
  setpoint   = "6 mg/L"
  deadband   = "0.5 mg/L"
  on_delay   = "2 min"
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

# Spring water hardly changes within a day: a day's swing of 0.2 degC and some
# more after rain are usual. Common practice, no source.
temperature_drift "spring and stacks" {
  covers {
    kinds = ["spring", "head box", "stack"]
  }
  departure  = "1 degC"
  deadband   = "0.2 degC"
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
  departure  = "1.5 degC"
  deadband   = "0.2 degC"
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
  departure  = "3 degC"
  deadband   = "0.2 degC"
  on_delay   = "20 min"
  off_delay  = "10 min"
  priority   = "morning"
  can_happen = "Outdoor water that departs far from the spring runs too slowly for the weather."
  to_do      = "Compare the flow with the design flow, and look for ice or a warm side inflow."
}

# Eggs of char and trout do well between these. Common practice, no source; a
# 2003 study of brown trout found the best survival at 8 to 10 degC and no hatch
# at 16 degC.
temperature_band "eggs" {
  covers {
    kinds = ["stack"]
  }
  low        = "4 degC"
  high       = "11 degC"
  deadband   = "0.3 degC"
  on_delay   = "5 min"
  off_delay  = "10 min"
  priority   = "call-out"
  can_happen = "Too warm, eggs die or hatch weak; too cold, they stand still and ice may stop the water."
  to_do      = "Compare with the hand thermometer. See that water runs, then follow it back towards the spring. Change the temperature slowly: no more than 1 degC in an hour."
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

# A probe that says nothing hides everything else. Three missed readings can be
# the radio; this many are not. Common practice, no source.
silent_probe "spring" {
  covers {
    units = ["spring"]
  }
  after      = "5 min"
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
