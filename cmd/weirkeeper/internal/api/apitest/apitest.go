// Package apitest holds answers and commands against the OpenAPI document, for
// tests. A field that the document does not name is a fault too.
package apitest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"mime"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

// Document is an OpenAPI document, read.
type Document struct {
	top      map[string]any
	compiler *jsonschema.Compiler
}

// Operation is one thing that can be asked for. Example is of its body, nil
// without one.
type Operation struct {
	Method, Path string
	Example      []byte
}

const at = "https://alderfork.example/openapi.json"

// Read reads a document and checks that each schema in it is one.
func Read(t *testing.T, document []byte) *Document {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(document))
	if err != nil {
		t.Fatal(err)
	}
	top, ok := v.(map[string]any)
	if version, _ := top["openapi"].(string); !ok || !strings.HasPrefix(version, "3.1.") {
		t.Fatal("this is no OpenAPI 3.1 document")
	}
	closeObjects(v)
	d := &Document{top, jsonschema.NewCompiler()}
	d.compiler.DefaultDraft(jsonschema.Draft2020)
	d.compiler.AssertFormat()
	if err := d.compiler.AddResource(at, v); err != nil {
		t.Fatal(err)
	}
	for name := range d.find(t, "components", "schemas") {
		d.schema(t, "components", "schemas", name)
	}
	return d
}

// closeObjects lets no object have a property that is not named.
func closeObjects(v any) {
	switch v := v.(type) {
	case map[string]any:
		for _, x := range v {
			closeObjects(x)
		}
		if _, named := v["properties"].(map[string]any); named && v["type"] == "object" {
			v["additionalProperties"] = false
		}
	case []any:
		for _, x := range v {
			closeObjects(x)
		}
	}
}

// find finds the object at a place.
func (d *Document) find(t *testing.T, place ...string) map[string]any {
	t.Helper()
	v := d.top
	for _, p := range place {
		next, ok := v[p].(map[string]any)
		if !ok {
			t.Fatalf("the document has no %s", strings.Join(place, " "))
		}
		v = next
	}
	return v
}

var escape = strings.NewReplacer("~", "~0", "/", "~1")

// schema compiles the schema at a place.
func (d *Document) schema(t *testing.T, place ...string) *jsonschema.Schema {
	t.Helper()
	where := at + "#"
	for _, p := range place {
		where += "/" + escape.Replace(p)
	}
	s, err := d.compiler.Compile(where)
	if err != nil {
		t.Fatalf("the document at %s: %v", where, err)
	}
	return s
}

// Operations lists all of them, by path and method; an example of a body that is
// not what its schema asks for is a fault.
func (d *Document) Operations() (all []Operation) {
	for path, methods := range d.top["paths"].(map[string]any) {
		for method, o := range methods.(map[string]any) {
			op := Operation{Method: method, Path: path}
			if body, ok := o.(map[string]any)["requestBody"].(map[string]any); ok {
				example := body["content"].(map[string]any)["application/json"].(map[string]any)["example"]
				op.Example, _ = json.Marshal(example) // it was read from JSON
			}
			all = append(all, op)
		}
	}
	slices.SortFunc(all, func(a, b Operation) int { return strings.Compare(a.Path+a.Method, b.Path+b.Method) })
	return all
}

// Answer holds an answer against what the document says of it.
func (d *Document) Answer(t *testing.T, method, path string, status int, contentType string, body []byte) {
	t.Helper()
	place := []string{"paths", path, method, "responses", fmt.Sprint(status), "content"}
	media, _, err := mime.ParseMediaType(contentType)
	if err != nil {
		t.Errorf("%s %s: content type %q: %v", method, path, contentType, err)
		return
	}
	d.find(t, append(place, media)...)
	if media == "application/json" {
		d.valid(t, fmt.Sprintf("the answer of %s %s", method, path), body, append(place, media, "schema")...)
	}
}

// Body holds the body of a command against what the document says of it.
func (d *Document) Body(t *testing.T, method, path string, body []byte) {
	t.Helper()
	d.valid(t, "the body of "+method+" "+path, body, "paths", path, method, "requestBody", "content", "application/json", "schema")
}

func (d *Document) valid(t *testing.T, what string, body []byte, place ...string) {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
	if err != nil {
		t.Errorf("%s: %v: %.200s", what, err, body)
		return
	}
	if err := d.schema(t, place...).Validate(v); err != nil {
		t.Errorf("%s: %v", what, err)
	}
}

// Words are those of the enum of a schema, "Lot.properties.stage".
func (d *Document) Words(t *testing.T, schema string) (words []string) {
	t.Helper()
	list, _ := d.find(t, append([]string{"components", "schemas"}, strings.Split(schema, ".")...)...)["enum"].([]any)
	for _, w := range list {
		words = append(words, fmt.Sprint(w))
	}
	return words
}
