//! Rules for tables and lists, and `table!`, which declares each table of the configuration once: its keys,
//! what each accepts and why it is there. Both the reading and the JSON Schema come from that one list.

use pondreeve_core::Quantity;
#[cfg(test)]
use schemars::{Schema, SchemaGenerator};

use super::problem::Problem;
use super::reader::{At, Cell, FromTable, Rule, Table, Wanted};
use super::rules::{measurable, measurable_ids};
use super::words::{describe, did_you_mean, is_id, listed, quoted, step};

/// Rule for a table declared by `table!`.
#[derive(Debug, Clone, Copy)]
pub struct TableOf<T>(std::marker::PhantomData<T>);

impl<T> TableOf<T> {
    /// The rule.
    pub const fn new() -> Self {
        Self(std::marker::PhantomData)
    }
}

impl<T> Default for TableOf<T> {
    fn default() -> Self {
        Self::new()
    }
}

impl<T: FromTable> Rule for TableOf<T> {
    type Out = T;
    fn read(&self, cell: &Cell<'_>) -> Option<T> {
        let Some(table) = cell.value.as_table() else {
            return cell.refuse(format!("a table with {}", listed(T::KEYS.iter().copied())));
        };
        let inner = Cell {
            value: cell.value,
            span: cell.span.clone(),
            path: cell.path.clone(),
            problems: cell.problems,
        };
        let table = Table { cell: inner, table, known: T::KEYS };
        table.refuse_unknown();
        Some(T::from_table(&table))
    }
    fn wanted(&self) -> Wanted {
        Wanted::Table
    }
    #[cfg(test)]
    fn schema(&self, generator: &mut SchemaGenerator) -> Schema {
        generator.subschema_for::<T>()
    }
}

/// Rule for a list of tables (`[[pond]]`), at most so many.
#[derive(Debug, Clone, Copy)]
pub struct TablesOf<T> {
    most: usize,
    what: std::marker::PhantomData<T>,
}

impl<T> TablesOf<T> {
    /// At most `most` of them.
    pub const fn at_most(most: usize) -> Self {
        Self { most, what: std::marker::PhantomData }
    }
}

impl<T: FromTable> Rule for TablesOf<T> {
    type Out = Vec<At<T>>;
    fn read(&self, cell: &Cell<'_>) -> Option<Self::Out> {
        let Some(items) = cell.value.as_array() else {
            let name = cell.path.rsplit('.').next().unwrap_or_default();
            return cell.refuse_with(
                describe(cell.value),
                "a list of tables",
                Some(format!("write the header in double brackets, as in `[[{name}]]`")),
            );
        };
        if items.len() > self.most {
            return cell.refuse(format!("a list of at most {}", self.most));
        }
        let mut read = Vec::new();
        for (index, item) in items.iter().enumerate() {
            let id = item
                .get_ref()
                .as_table()
                .and_then(|table| table.get("id"))
                .and_then(|id| id.get_ref().as_str());
            let step = id.filter(|id| is_id(id)).map_or_else(|| format!("#{}", index + 1), str::to_owned);
            let inner = cell.child(&step, item.get_ref(), item.span());
            if let Some(value) = TableOf::<T>::new().read(&inner) {
                read.push(At { value, span: inner.span, path: inner.path });
            }
        }
        Some(read)
    }
    fn wanted(&self) -> Wanted {
        Wanted::Tables
    }
    #[cfg(test)]
    fn schema(&self, generator: &mut SchemaGenerator) -> Schema {
        let items = generator.subschema_for::<T>();
        schemars::json_schema!({ "type": "array", "items": items, "maxItems": self.most })
    }
}

/// Rule for a list of plain values.
#[derive(Debug, Clone, Copy)]
pub struct ListOf<R> {
    /// What each is.
    pub each: R,
    /// At least so many.
    pub least: usize,
    /// At most so many.
    pub most: usize,
}

impl<R: Rule> Rule for ListOf<R> {
    type Out = Vec<At<R::Out>>;
    fn read(&self, cell: &Cell<'_>) -> Option<Self::Out> {
        let accepted = || match (self.least, self.most) {
            (least, most) if least == most => format!("a list of {least}"),
            (least, most) => format!("a list of {least} to {most}"),
        };
        let Some(items) = cell.value.as_array() else { return cell.refuse(accepted()) };
        if !(self.least..=self.most).contains(&items.len()) {
            return cell.refuse(accepted());
        }
        let mut read = Vec::new();
        for (index, item) in items.iter().enumerate() {
            let inner = cell.child(&format!("#{}", index + 1), item.get_ref(), item.span());
            let value = self.each.read(&inner)?;
            read.push(At { value, span: inner.span, path: inner.path });
        }
        Some(read)
    }
    fn wanted(&self) -> Wanted {
        match self.each.wanted() {
            Wanted::Table => Wanted::Tables,
            _ => Wanted::Value("this key".to_owned()),
        }
    }
    #[cfg(test)]
    fn schema(&self, generator: &mut SchemaGenerator) -> Schema {
        let items = self.each.schema(generator);
        schemars::json_schema!({ "type": "array", "items": items, "minItems": self.least, "maxItems": self.most })
    }
}

/// Rule for a table whose keys are quantity ids.
#[derive(Debug, Clone, Copy)]
pub struct PerQuantity<T>(std::marker::PhantomData<T>);

impl<T> PerQuantity<T> {
    /// The rule.
    pub const fn new() -> Self {
        Self(std::marker::PhantomData)
    }
}

impl<T> Default for PerQuantity<T> {
    fn default() -> Self {
        Self::new()
    }
}

impl<T: FromTable> Rule for PerQuantity<T> {
    type Out = Vec<(At<Quantity>, At<T>)>;
    fn read(&self, cell: &Cell<'_>) -> Option<Self::Out> {
        let Some(table) = cell.value.as_table() else {
            return cell.refuse("a table whose keys are quantity ids, such as `do_mg_l`");
        };
        let mut read = Vec::new();
        for (name, value) in table {
            let path = format!("{}.{}", cell.path, step(name.get_ref()));
            let Some(quantity) = measurable(name.get_ref()) else {
                let known = measurable_ids();
                let mut problem = Problem::new(
                    &cell.problems.source,
                    name.span(),
                    path,
                    format!("the unknown quantity {}", quoted(name.get_ref())),
                    format!("a measured quantity: {}", listed(known.iter().copied())),
                );
                problem.hint = did_you_mean(name.get_ref(), known);
                cell.problems.push(problem);
                continue;
            };
            let inner = Cell { value: value.get_ref(), span: value.span(), path, problems: cell.problems };
            if let Some(value) = TableOf::<T>::new().read(&inner) {
                let key = At { value: quantity, span: name.span(), path: inner.path.clone() };
                read.push((key, At { value, span: inner.span, path: inner.path }));
            }
        }
        Some(read)
    }
    #[cfg(test)]
    fn schema(&self, generator: &mut SchemaGenerator) -> Schema {
        let each = generator.subschema_for::<T>();
        let properties: serde_json::Map<_, _> =
            measurable_ids().into_iter().map(|id| (id.to_owned(), each.clone().to_value())).collect();
        schemars::json_schema!({ "type": "object", "properties": properties, "additionalProperties": false })
    }
}

/// Declares a table of the configuration: a struct, how it is read, and its JSON Schema.
macro_rules! table {
    (
        $(#[doc = $about:literal])+
        pub struct $name:ident {
            $( $(#[doc = $doc:literal])+ $key:ident : $out:ty = $presence:ident $rule:expr; )+
        }
    ) => {
        $(#[doc = $about])+
        #[derive(Debug, Clone)]
        pub struct $name {
            /// Place of the table.
            pub at: $crate::config::reader::At<()>,
            $( $(#[doc = $doc])+ pub $key: Option<$crate::config::reader::At<$out>>, )+
        }

        impl $crate::config::reader::FromTable for $name {
            const KEYS: &'static [&'static str] = &[$( stringify!($key) ),+];
            fn from_table(table: &$crate::config::reader::Table<'_>) -> Self {
                Self {
                    at: table.at(),
                    $( $key: table.$presence(stringify!($key), &$rule), )+
                }
            }
        }

        #[cfg(test)]
        impl schemars::JsonSchema for $name {
            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($name).trim_start_matches("Raw").to_owned().into()
            }
            fn json_schema(generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
                let mut properties = serde_json::Map::new();
                let mut required: Vec<&str> = Vec::new();
                $(
                    let mut schema = $crate::config::reader::Rule::schema(&$rule, generator);
                    schema.insert("description".into(), concat!($($doc, "\n"),+).lines().map(str::trim).collect::<Vec<_>>().join(" ").trim().into());
                    properties.insert(stringify!($key).into(), schema.to_value());
                    if stringify!($presence) == "needed" { required.push(stringify!($key)); }
                )+
                schemars::json_schema!({
                    "type": "object",
                    "description": concat!($($about, "\n"),+).lines().map(str::trim).collect::<Vec<_>>().join(" ").trim(),
                    "properties": properties,
                    "required": required,
                    "additionalProperties": false,
                })
            }
        }
    };
}
pub(crate) use table;
