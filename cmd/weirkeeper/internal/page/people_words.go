package page

var _ = add(words{
	"role.look":   {"May look.", "Puede mirar."},
	"role.work":   {"May look, answer, do chores and keep the lots.", "Puede mirar, responder, hacer las tareas y llevar los lotes."},
	"role.manage": {"May do all that, and say who has access.", "Puede hacer todo eso y decidir quién tiene acceso."},

	"signin.title":    {"Sign in", "Entrar"},
	"signin.name":     {"Name", "Nombre"},
	"signin.password": {"Password", "Contraseña"},
	"signin.do":       {"Sign in", "Entrar"},
	"signin.wrong":    {"Name and password do not fit.", "El nombre y la contraseña no coinciden."},
	"signin.wait": {
		"Too many wrong tries. Wait %[1]d s, then try again.",
		"Demasiados intentos fallidos. Espere %[1]d s y vuelva a intentarlo.",
	},
	"signin.busy": {
		"Too many people sign in at this moment. Try again in a few seconds.",
		"Demasiadas personas entran en este momento. Vuelva a intentarlo en unos segundos.",
	},
	"signin.failed": {
		"The record cannot be read or written at this moment. On the hatchery computer the weirkeeper commands go on.",
		"El registro no se puede leer o escribir en este momento. En el ordenador del criadero siguen las órdenes de weirkeeper.",
	},
	"signin.nobody": {
		"Nobody has access yet. On the hatchery computer, type:",
		"Todavía nadie tiene acceso. En el ordenador del criadero, escriba:",
	},
	"signin.forgotten": {
		"Password forgotten? Somebody at the hatchery computer can set a new one, or make a link that signs this device in.",
		"¿Ha olvidado la contraseña? Alguien en el ordenador del criadero puede poner otra o crear un enlace para este dispositivo.",
	},

	"device.title":   {"Sign this device in", "Dar acceso a este dispositivo"},
	"device.ask":     {"This device would be signed in as %[1]s.", "Este dispositivo entraría como %[1]s."},
	"device.do":      {"Yes, sign in as %[1]s", "Sí, entrar como %[1]s"},
	"device.lost":    {"If this device is lost, somebody who manages access can end its session.", "Si se pierde este dispositivo, quien administra el acceso puede cerrar su sesión."},
	"device.outside": {"This link works from the hatchery's own network only.", "Este enlace solo funciona desde la red del criadero."},
	"device.wait":    {"Too many links that are none. Wait, then open the right one.", "Demasiados enlaces no válidos. Espere y abra el correcto."},
	"device.over": {
		"This link cannot be used: it was used already, it is older than an hour, or part of it is missing. Ask for a new one.",
		"Este enlace no sirve: ya se usó, tiene más de una hora o le falta una parte. Pida otro.",
	},

	"refused.title":  {"Nothing was done", "No se ha hecho nada"},
	"refused.back":   {"Back to the water", "Volver al agua"},
	"refused.role":   {"This is not yours to do. Ask somebody who manages access here.", "Usted no puede hacer esto. Pregunte a quien administra el acceso."},
	"refused.signin": {"Sign in first.", "Entre primero."},
	"refused.form": {
		"This did not come from our own page, or the page was too old. Open the page again, and then press the button.",
		"Esto no vino de nuestra página, o la página era demasiado vieja. Abra la página otra vez y pulse el botón.",
	},
	"refused.long": {"That is too long.", "Eso es demasiado largo."},
	"refused.kind": {"That is no form of ours.", "Eso no es un formulario nuestro."},
	"refused.host": {
		"The hatchery computer does not know this name. Open the page by its address, or write the name into the site file under web, url.",
		"El ordenador del criadero no conoce este nombre. Abra la página por su dirección, o escriba el nombre en el archivo del sitio, en web, url.",
	},

	"people.title":      {"People", "Personas"},
	"people.link":       {"Link for the device", "Enlace para el dispositivo"},
	"people.password":   {"Signs in with a password.", "Entra con contraseña."},
	"people.nopassword": {"Has no password: comes in by a device link.", "No tiene contraseña: entra con un enlace para su dispositivo."},
	"people.session":    {"Last seen %[1]s, signed in %[2]s.", "Visto por última vez %[1]s, entró %[2]s."},
	"people.this":       {"This is the one you use.", "Es el que usa usted."},
	"people.end":        {"End", "Cerrar"},
	"people.endof":      {"End the session of %[1]s last seen %[2]s", "Cerrar la sesión de %[1]s vista por última vez %[2]s"},
	"people.nosession":  {"Signed in nowhere.", "No ha entrado en ningún dispositivo."},
	"people.change":     {"Change the access of %[1]s", "Cambiar el acceso de %[1]s"},
	"people.role":       {"Role", "Papel"},
	"people.dorole":     {"Give this role", "Dar este papel"},
	"people.doinvite":   {"Make a link for a device", "Crear un enlace para un dispositivo"},
	"people.doend":      {"End all sessions", "Cerrar todas las sesiones"},
	"people.doremove":   {"Take all access from %[1]s", "Quitar todo el acceso a %[1]s"},
	"people.new":        {"Somebody new", "Alguien nuevo"},
	"people.newhow": {
		"The link signs in the one device that opens it, in the hatchery's network, within an hour. A password is set on the hatchery computer.",
		"El enlace da acceso al dispositivo que lo abra en la red del criadero durante una hora. La contraseña se pone en el ordenador del criadero.",
	},
})
