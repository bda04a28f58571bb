//! The elements of a data set as the gate measured them, found by tag. Nothing is copied and nothing
//! decoded before somebody asks: a report has hundreds of elements, and most say nothing here.

use super::gate::{Event, word};
use dicom_core::{Tag, VR};

const ITEM: Tag = Tag(0xFFFE, 0xE000);

/// One element or item, in the order of the bytes; what is inside it follows it.
#[derive(Debug, Clone, Copy)]
struct Node {
    tag: Tag,
    /// SQ for sequences, whatever the letters on the wire.
    vr: VR,
    /// Where its value stands; empty for sequences and items.
    from: usize,
    to: usize,
    /// How many nodes are inside it.
    below: usize,
}

/// All elements of one data set, without its bytes.
#[derive(Debug, Clone, Default)]
pub(crate) struct Elements {
    nodes: Vec<Node>,
    /// Sequences and items that are not closed yet.
    open: Vec<usize>,
    /// The sequence that was closed last.
    closed: usize,
}

impl Elements {
    /// Takes the events of one walk over a data set.
    pub(crate) fn take(&mut self, event: &Event<'_>) {
        match *event {
            Event::Element {
                tag,
                vr,
                value,
                value_at,
                ..
            } => self.nodes.push(Node {
                tag,
                vr,
                from: value_at,
                to: value_at + value.len(),
                below: 0,
            }),
            Event::SequenceStart { tag } => self.start(tag),
            Event::ItemStart => self.start(ITEM),
            Event::SequenceEnd | Event::ItemEnd => self.end(),
            // Whoever wrote UN says that nobody need know what is in it.
            Event::Unknown { length_at, length } => {
                let from = length_at + 4;
                if let Some(node) = self.nodes.get_mut(self.closed) {
                    *node = Node {
                        vr: VR::UN,
                        from,
                        to: usize::try_from(length).map_or(from, |length| from + length),
                        below: 0,
                        ..*node
                    };
                    self.nodes.truncate(self.closed + 1);
                }
            }
            Event::Pixels { .. } => {}
        }
    }

    fn start(&mut self, tag: Tag) {
        self.open.push(self.nodes.len());
        self.nodes.push(Node {
            tag,
            vr: VR::SQ,
            from: 0,
            to: 0,
            below: 0,
        });
    }

    fn end(&mut self) {
        let Some(at) = self.open.pop() else {
            return;
        };
        let after = self.nodes.len();
        if let Some(node) = self.nodes.get_mut(at) {
            node.below = after - at - 1;
        }
        self.closed = at;
    }

    /// The data set itself, with the bytes that the walk was over.
    pub(crate) fn of<'a>(&'a self, data: &'a [u8], is_big: bool) -> DataSet<'a> {
        DataSet {
            data,
            nodes: &self.nodes,
            is_big,
        }
    }
}

/// A data set, or an item of a sequence.
#[derive(Debug, Clone, Copy)]
pub(crate) struct DataSet<'a> {
    data: &'a [u8],
    nodes: &'a [Node],
    /// Whether numbers are written in big endian.
    is_big: bool,
}

/// What an element holds. Every part of a text is one letter a byte, whatever was declared.
#[derive(Debug, Clone)]
pub(crate) enum Value<'a> {
    /// No byte.
    Empty,
    /// Values divided by backslashes.
    Texts(&'a [u8]),
    /// One text, in which a backslash is a letter.
    Text(&'a [u8]),
    /// OB or UN.
    Bytes(&'a [u8]),
    /// A sequence.
    Items(Items<'a>),
    /// Binary numbers.
    Numbers(Numbers<'a>),
}

impl<'a> DataSet<'a> {
    /// The value of an element; `None` without one.
    pub(crate) fn get(&self, tag: Tag) -> Option<Value<'a>> {
        let mut rest = self.nodes;
        while let Some((node, after)) = rest.split_first() {
            let (below, next) = after.split_at_checked(node.below)?;
            if node.tag == tag {
                return Some(self.value(node, below));
            }
            rest = next;
        }
        None
    }

    /// Whether the element is there at all.
    pub(crate) fn has(&self, tag: Tag) -> bool {
        self.get(tag).is_some()
    }

    fn value(&self, node: &Node, below: &'a [Node]) -> Value<'a> {
        let bytes = self.data.get(node.from..node.to).unwrap_or_default();
        match node.vr {
            VR::SQ => Value::Items(Items {
                data: self.data,
                rest: below,
                is_big: self.is_big,
            }),
            _ if bytes.is_empty() => Value::Empty,
            VR::UT | VR::ST | VR::UR | VR::LT => Value::Text(bytes),
            VR::UN | VR::OB => Value::Bytes(bytes),
            // A tag too is a number that nobody here asks for.
            vr if word(vr) > 1 => Value::Numbers(Numbers {
                vr,
                bytes,
                is_big: self.is_big,
            }),
            _ => Value::Texts(bytes),
        }
    }

    /// Every element with its value, in the order of the bytes.
    #[cfg(test)]
    pub(crate) fn iter(&self) -> impl Iterator<Item = (Tag, Value<'a>)> {
        let (set, mut rest) = (*self, self.nodes);
        std::iter::from_fn(move || {
            let (node, after) = rest.split_first()?;
            let (below, next) = after.split_at_checked(node.below)?;
            rest = next;
            Some((node.tag, set.value(node, below)))
        })
    }
}

/// Items of a sequence that are still to come.
#[derive(Debug, Clone, Default)]
pub(crate) struct Items<'a> {
    data: &'a [u8],
    rest: &'a [Node],
    is_big: bool,
}

impl<'a> Iterator for Items<'a> {
    type Item = DataSet<'a>;

    fn next(&mut self) -> Option<DataSet<'a>> {
        let (item, after) = self.rest.split_first()?;
        let (nodes, rest) = after.split_at_checked(item.below)?;
        self.rest = rest;
        Some(DataSet {
            data: self.data,
            nodes,
            is_big: self.is_big,
        })
    }
}

/// Binary numbers of one element.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Numbers<'a> {
    pub(crate) vr: VR,
    bytes: &'a [u8],
    is_big: bool,
}

impl<'a> Numbers<'a> {
    /// The bytes of each number in little endian, `N` as the VR has it (PS3.5 table 6.2-1).
    pub(crate) fn little<const N: usize>(self) -> impl Iterator<Item = [u8; N]> + 'a {
        let whole = self.bytes.as_chunks::<N>().0;
        whole.iter().map(move |&number| {
            let mut number = number;
            if self.is_big {
                number.reverse();
            }
            number
        })
    }
}

#[cfg(test)]
pub(super) mod tests;
