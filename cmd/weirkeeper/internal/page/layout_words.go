package page

var _ = add(words{
	"nav.now":         {"Now", "Ahora"},
	"nav.lots":        {"Lots", "Lotes"},
	"nav.history":     {"History", "Historial"},
	"nav.journal":     {"Journal", "Diario"},
	"nav.rules":       {"Rules", "Reglas"},
	"nav.people":      {"People", "Personas"},
	"nav.pages":       {"Pages", "Páginas"},
	"nav.skip":        {"To the content", "Ir al contenido"},
	"layout.signin":   {"Sign in", "Entrar"},
	"layout.signout":  {"Sign out", "Salir"},
	"layout.who":      {"Signed in as %[1]s", "Ha entrado como %[1]s"},
	"layout.language": {"Language", "Idioma"},
	"layout.lost": {
		"This page has lost the daemon. Every number below is old.",
		"Esta página ha perdido la conexión con el servicio. Todos los números de abajo son viejos.",
	},
	"layout.old":       {"old", "viejo"},
	"layout.lostsince": {"Nothing new since %[1]s.", "Nada nuevo desde las %[1]s."},
	"layout.lostdo": {
		"Go and look at the water. On the hatchery computer: weirkeeper status.",
		"Vaya a mirar el agua. En el ordenador del criadero: weirkeeper status.",
	},
})
