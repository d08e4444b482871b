package page

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"net/http"
	"path"
	"strings"
)

//go:embed static
var staticFiles embed.FS

// file is one that pages need, as it is served.
type file struct {
	url, contentType string
	body             []byte
}

// files are those under static, by name; byURL by the path they are served at.
var files, byURL = readStatic()

func readStatic() (byName, byURL map[string]file) {
	byName, byURL = make(map[string]file), make(map[string]file)
	err := fs.WalkDir(staticFiles, "static", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		body, err := staticFiles.ReadFile(p)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(body)
		name, ext := strings.TrimPrefix(p, "static/"), path.Ext(p)
		f := file{"/static/" + strings.TrimSuffix(name, ext) + "." + hex.EncodeToString(sum[:6]) + ext, contentType(ext), body}
		byName[name], byURL[f.url] = f, f
		return nil
	})
	if err != nil {
		panic(err)
	}
	return byName, byURL
}

// contentType does not ask the system, whose tables differ.
func contentType(ext string) string {
	switch ext {
	case ".css":
		return "text/css; charset=utf-8"
	case ".js", ".mjs":
		return "text/javascript; charset=utf-8"
	case ".svg":
		return "image/svg+xml"
	case ".json":
		return "application/json"
	case ".png":
		return "image/png"
	}
	return "text/plain; charset=utf-8"
}

// asset is the URL of a file under static.
func asset(name string) string {
	f, ok := files[name]
	if !ok {
		panic("page: no file static/" + name)
	}
	return f.url
}

// Static serves GET /static/. Nothing is served but what was embedded, by its
// exact name; a new version has a new name, so that browsers may keep it.
func Static() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		f, ok := byURL[r.URL.Path]
		if !ok || r.Method != http.MethodGet && r.Method != http.MethodHead {
			http.NotFound(w, r)
			return
		}
		Harden(w.Header())
		w.Header().Set("Content-Type", f.contentType)
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
		send(w, r, http.StatusOK, f.body)
	})
}
