package config

var DaysAt = daysAt
