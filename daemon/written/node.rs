//! A value as it was written: what it is, and where it stands.
//!
//! Made by `parse`, read by `fields`, `readers` and the callers' own readers.
//! Numbers that are not finite are never given out.

use crate::place::Place;

/// What a plain word means, as `serde_yaml` resolves it; quoted words are text.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Meaning {
    Null,
    Boolean(bool),
    Integer(i64),
    Float(f64),
    Text,
}

#[derive(Debug, Clone)]
pub(crate) enum Data {
    Scalar {
        text: String,
        quoted: bool,
        meaning: Meaning,
    },
    List(Vec<Item>),
    /// In the order of the file; keys are scalars and differ.
    Map(Vec<(Item, Item)>),
}

#[derive(Debug, Clone)]
pub(crate) struct Item {
    pub(crate) place: Place,
    pub(crate) data: Data,
}

/// What a value is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Nothing after the key, `~` or `null`.
    Null,
    /// `true` or `false`; `yes`, `no`, `on`, `off` are text.
    Boolean,
    /// A whole number.
    Integer,
    /// A number with a fraction or exponent; also `.inf` and `.nan`, which no
    /// reader accepts.
    Number,
    /// Any other word, or one in quotes.
    Text,
    /// `- one` lines or `[one, two]`.
    List,
    /// `key: value` lines or `{key: value}`.
    Map,
}

impl Kind {
    /// For messages: `a list`.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Kind::Null => "empty",
            Kind::Boolean => "true or false",
            Kind::Integer => "a whole number",
            Kind::Number => "a number",
            Kind::Text => "text",
            Kind::List => "a list",
            Kind::Map => "a group of keys",
        }
    }
}

/// A value in a document.
#[derive(Debug, Clone, Copy)]
pub struct Node<'a> {
    item: &'a Item,
}

impl<'a> Node<'a> {
    pub(crate) fn of(item: &'a Item) -> Self {
        Self { item }
    }

    /// Where it stands. A list or map in lines of its own, and an empty value,
    /// stand where their key stands.
    #[must_use]
    pub fn place(self) -> Place {
        self.item.place.clone()
    }

    /// What it is.
    #[must_use]
    pub fn kind(self) -> Kind {
        match &self.item.data {
            Data::Scalar { meaning, .. } => match meaning {
                Meaning::Null => Kind::Null,
                Meaning::Boolean(_) => Kind::Boolean,
                Meaning::Integer(_) => Kind::Integer,
                Meaning::Float(_) => Kind::Number,
                Meaning::Text => Kind::Text,
            },
            Data::List(_) => Kind::List,
            Data::Map(_) => Kind::Map,
        }
    }

    /// The word as written (without quotes), whatever it means; none for a
    /// list, a map and an empty value.
    #[must_use]
    pub fn text(self) -> Option<&'a str> {
        match &self.item.data {
            Data::Scalar {
                meaning: Meaning::Null,
                ..
            } => None,
            Data::Scalar { text, .. } => Some(text),
            _ => None,
        }
    }

    /// Whether it was written in quotes or as a block (`|`, `>`).
    #[must_use]
    pub fn is_quoted(self) -> bool {
        matches!(self.item.data, Data::Scalar { quoted: true, .. })
    }

    /// The whole number.
    #[must_use]
    pub fn as_i64(self) -> Option<i64> {
        match self.meaning()? {
            Meaning::Integer(n) => Some(n),
            _ => None,
        }
    }

    /// The number, whole or not; none where it is not finite.
    #[must_use]
    pub fn as_f64(self) -> Option<f64> {
        match self.meaning()? {
            Meaning::Integer(n) => Some(n as f64),
            Meaning::Float(x) => x.is_finite().then_some(x),
            _ => None,
        }
    }

    /// `true` or `false`.
    #[must_use]
    pub fn as_bool(self) -> Option<bool> {
        match self.meaning()? {
            Meaning::Boolean(b) => Some(b),
            _ => None,
        }
    }

    /// Nothing was written, or `~`, or `null`.
    #[must_use]
    pub fn is_null(self) -> bool {
        self.kind() == Kind::Null
    }

    /// The value of a key of a map.
    #[must_use]
    pub fn get(self, key: &str) -> Option<Node<'a>> {
        self.entries()
            .find(|(k, _)| k.text() == Some(key))
            .map(|(_, value)| value)
    }

    /// Keys and values of a map in the order of the file; nothing for others.
    pub fn entries(self) -> impl ExactSizeIterator<Item = (Node<'a>, Node<'a>)> + use<'a> {
        let entries: &'a [(Item, Item)] = match &self.item.data {
            Data::Map(entries) => entries,
            _ => &[],
        };
        entries.iter().map(|(k, v)| (Node::of(k), Node::of(v)))
    }

    /// The items of a list; nothing for others.
    pub fn items(self) -> impl ExactSizeIterator<Item = Node<'a>> + use<'a> {
        let items: &'a [Item] = match &self.item.data {
            Data::List(items) => items,
            _ => &[],
        };
        items.iter().map(Node::of)
    }

    fn meaning(self) -> Option<Meaning> {
        match &self.item.data {
            Data::Scalar { meaning, .. } => Some(*meaning),
            _ => None,
        }
    }
}
