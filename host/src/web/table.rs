//! Routes and their descriptions, made together: a route without a description cannot be written.

use axum::Router;
use axum::handler::Handler;
use axum::routing::{get, post};
use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde_json::{Map, Value, json};

use super::app::App;
use super::refusal::Refusal;

/// How a type is described.
type Describe = fn(&mut SchemaGenerator) -> Schema;

/// What a request brings or gets.
#[derive(Clone, Copy)]
pub(super) enum Body {
    /// Nothing.
    None,
    /// JSON of a type.
    Json(Describe),
    /// Text of a media type.
    Text(&'static str),
}

impl Body {
    pub(super) fn of<T: JsonSchema>() -> Self {
        Self::Json(|generator| generator.subschema_for::<T>())
    }
}

struct Described {
    method: &'static str,
    path: &'static str,
    summary: &'static str,
    query: Option<Describe>,
    request: Body,
    response: Body,
}

/// The routes so far.
#[derive(Default)]
pub(super) struct Table {
    router: Router<App>,
    described: Vec<Described>,
}

impl Table {
    /// A request that shows something.
    pub(super) fn show<H, T>(
        self,
        path: &'static str,
        summary: &'static str,
        response: Body,
        handler: H,
    ) -> Self
    where
        H: Handler<T, App>,
        T: 'static,
    {
        self.show_asked(path, summary, None, response, handler)
    }

    /// A request that shows something, with a query of type `Q`.
    pub(super) fn show_by<Q: JsonSchema, H, T>(
        self,
        path: &'static str,
        summary: &'static str,
        response: Body,
        handler: H,
    ) -> Self
    where
        H: Handler<T, App>,
        T: 'static,
    {
        self.show_asked(
            path,
            summary,
            Some(|generator| Q::json_schema(generator)),
            response,
            handler,
        )
    }

    fn show_asked<H, T>(
        mut self,
        path: &'static str,
        summary: &'static str,
        query: Option<Describe>,
        response: Body,
        handler: H,
    ) -> Self
    where
        H: Handler<T, App>,
        T: 'static,
    {
        self.described.push(Described {
            method: "get",
            path,
            summary,
            query,
            request: Body::None,
            response,
        });
        self.router = self.router.route(path, get(handler));
        self
    }

    /// A request that changes something.
    pub(super) fn change<H, T>(
        mut self,
        path: &'static str,
        summary: &'static str,
        request: Body,
        response: Body,
        handler: H,
    ) -> Self
    where
        H: Handler<T, App>,
        T: 'static,
    {
        self.described.push(Described {
            method: "post",
            path,
            summary,
            query: None,
            request,
            response,
        });
        self.router = self.router.route(path, post(handler));
        self
    }

    /// The routes, and the document that describes them: OpenAPI 3.1, whose schemas are JSON Schema 2020-12.
    pub(super) fn finish(self) -> (Router<App>, Value) {
        let mut generator = SchemaSettings::draft2020_12()
            .with(|settings| settings.definitions_path = "/components/schemas".into())
            .into_generator();
        let mut paths: Map<String, Value> = Map::new();
        for route in &self.described {
            let operation = route.operation(&mut generator);
            let entry = paths.entry(route.path).or_insert_with(|| json!({}));
            entry[route.method] = operation;
        }
        let document = json!({
            "openapi": "3.1.0",
            "info": {
                "title": "Steadybench collector",
                "version": env!("CARGO_PKG_VERSION"),
                "description": "Live values, runs and the job of one bench. Currents in amperes, rails in volts, \
                    temperatures in degrees Celsius, times in seconds of board time since the run's first reading \
                    unless a name says otherwise; null is missing.",
            },
            "paths": paths,
            "components": {
                "schemas": generator.take_definitions(true),
                "securitySchemes": { "token": { "type": "http", "scheme": "bearer" } },
            },
        });
        (self.router, document)
    }
}

impl Described {
    fn operation(&self, generator: &mut SchemaGenerator) -> Value {
        let mut operation = json!({
            "summary": self.summary,
            "responses": {
                "200": self.response.described("As asked", generator),
                "default": Body::of::<Refusal>().described("Not carried out, and why", generator),
            },
        });
        let mut parameters: Vec<Value> = path_parameters(self.path)
            .map(|name| {
                json!({ "name": name, "in": "path", "required": true, "schema": { "type": "integer", "minimum": 0 } })
            })
            .collect();
        if let Some(query) = self.query {
            parameters.extend(query_parameters(&query(generator)));
        }
        if !parameters.is_empty() {
            operation["parameters"] = Value::Array(parameters);
        }
        if !matches!(self.request, Body::None) {
            let mut body = self.request.described("What to do", generator);
            body["required"] = json!(true);
            operation["requestBody"] = body;
        }
        // Reading is open on loopback; changing never is.
        operation["security"] = if self.method == "get" {
            json!([{}, { "token": [] }])
        } else {
            json!([{ "token": [] }])
        };
        operation
    }
}

impl Body {
    fn described(self, words: &str, generator: &mut SchemaGenerator) -> Value {
        let mut value = json!({ "description": words });
        match self {
            Self::None => {}
            Self::Json(describe) => {
                value["content"] = json!({ "application/json": { "schema": describe(generator) } });
            }
            Self::Text(media) => {
                value["content"] = json!({ media: { "schema": { "type": "string" } } });
            }
        }
        value
    }
}

fn path_parameters(path: &str) -> impl Iterator<Item = &str> {
    path.split('/')
        .filter_map(|part| part.strip_prefix('{')?.strip_suffix('}'))
}

fn query_parameters(schema: &Schema) -> Vec<Value> {
    let value = schema.as_value();
    let required: Vec<&str> = value["required"].as_array().map_or(Vec::new(), |names| {
        names.iter().filter_map(Value::as_str).collect()
    });
    let properties = value["properties"].as_object();
    properties
        .into_iter()
        .flatten()
        .map(|(name, schema)| {
            json!({
                "name": name,
                "in": "query",
                "required": required.contains(&name.as_str()),
                "description": schema["description"],
                "schema": schema,
            })
        })
        .collect()
}
