//! What a statement may be made of, by a parser.

use super::{Fault, Shape, words};
use sqlparser::ast::{
    Assignment, BinaryOperator, CastKind, ConflictTarget, DataType, Delete, Distinct, Expr,
    FromTable, Function, FunctionArg, FunctionArgExpr, FunctionArguments, GroupByExpr, InTarget,
    Insert, JoinConstraint, JoinOperator, LimitClause, ObjectName, OnConflictAction, OnInsert,
    OrderByKind, Query, Select, SelectItem, SetExpr, SetOperator, Statement, TableFactor,
    TableObject, TableWithJoins, UnaryOperator, Update, Value,
};
use sqlparser::dialect::PostgreSqlDialect;
use sqlparser::parser::Parser;
use std::collections::BTreeSet;

/// Functions that mean the same everywhere.
const FUNCTIONS: [&str; 5] = ["coalesce", "count", "max", "min", "sum"];

/// Those of them that make one row of many.
const OF_MANY: [&str; 4] = ["count", "max", "min", "sum"];

/// Tables to which rows are only ever added.
pub(super) const ADDED_ONLY: [&str; 6] = [
    "bringing",
    "brought",
    "deed",
    "entry",
    "id_statement",
    "reading_change",
];

/// Tables of which no row ever goes: numbers of theirs are told to others.
pub(super) const KEPT: [&str; 2] = ["object", "result"];

const CASE: &str = "write `case when … then 1 else 0 end`";
const FORM: &str = "write it in the forms that the README lists";

pub(super) fn faults(sql: &str, shape: &Shape) -> Vec<Fault> {
    let mut walk = Walk {
        shape,
        with: BTreeSet::new(),
        found: Vec::new(),
    };
    match Parser::parse_sql(&PostgreSqlDialect {}, &words::with_dollars(sql)) {
        Err(error) => walk.say("grammar", error, FORM),
        Ok(all) => match all.as_slice() {
            [one] => walk.statement(one),
            _ => walk.say("forms", sql, "say one statement at a time"),
        },
    }
    walk.found
}

struct Walk<'s> {
    shape: &'s Shape,
    /// Names of `with`.
    with: BTreeSet<String>,
    found: Vec<Fault>,
}

/// A table of a statement, under the name that it has there.
type Scope = Vec<(String, String)>;

impl Walk<'_> {
    fn say(&mut self, rule: &'static str, part: impl ToString, instead: &'static str) {
        self.found.push(Fault {
            rule,
            part: part.to_string(),
            instead,
        });
    }

    fn statement(&mut self, statement: &Statement) {
        match statement {
            Statement::Query(query) => self.query(query),
            Statement::Insert(insert) => self.insert(insert),
            Statement::Update(update) => self.update(update),
            Statement::Delete(delete) => self.delete(delete),
            other => self.say(
                "forms",
                other,
                "say `select`, `insert`, `update` or `delete`",
            ),
        }
    }

    fn query(&mut self, query: &Query) {
        if let Some(with) = &query.with {
            for one in &with.cte_tables {
                self.with.insert(one.alias.name.value.clone());
                self.query(&one.query);
            }
        }
        let mut scope = Scope::new();
        self.body(&query.body, &mut scope);
        if let Some(order) = &query.order_by {
            let OrderByKind::Expressions(all) = &order.kind else {
                return self.say("forms", order, FORM);
            };
            let filled = match &*query.body {
                SetExpr::Select(select) => filled(select.selection.as_ref()),
                _ => BTreeSet::new(),
            };
            for one in all {
                self.value(&one.expr);
                let is_said = one.options.nulls_first.is_some();
                if !is_said
                    && self.may_be_null(&one.expr, &scope)
                    && !filled.contains(&one.expr.to_string())
                {
                    let instead = "say `nulls first` or `nulls last`: databases differ";
                    self.say("nulls", one, instead);
                }
            }
        }
        match &query.limit_clause {
            None => {}
            Some(LimitClause::LimitOffset { limit, offset, .. }) => {
                for number in limit.iter().chain(offset.iter().map(|one| &one.value)) {
                    if !matches!(number, Expr::Value(_)) {
                        self.say(
                            "limit",
                            number,
                            "give a number that is not negative, or a value",
                        );
                    }
                }
            }
            Some(other) => self.say("limit", other, "write `limit … offset …`"),
        }
        if let Some(lock) = query.locks.first() {
            self.say(
                "locks",
                lock,
                "only one transaction changes the store at a time",
            );
        }
    }

    fn body(&mut self, body: &SetExpr, scope: &mut Scope) {
        match body {
            SetExpr::Select(select) => self.select(select, scope),
            SetExpr::Query(query) => self.query(query),
            SetExpr::SetOperation {
                left, op, right, ..
            } => {
                if *op != SetOperator::Union {
                    self.say("forms", op, FORM);
                }
                self.body(left, &mut Scope::new());
                self.body(right, &mut Scope::new());
            }
            SetExpr::Values(values) => {
                for row in &values.rows {
                    row.content.iter().for_each(|one| self.value(one));
                }
            }
            SetExpr::Insert(one) | SetExpr::Update(one) | SetExpr::Delete(one) => {
                self.statement(one);
            }
            other => self.say("forms", other, FORM),
        }
    }

    fn select(&mut self, select: &Select, scope: &mut Scope) {
        if let Some(Distinct::On(_)) = select.distinct {
            self.say("forms", "distinct on", FORM);
        }
        for table in &select.from {
            self.table(table, scope);
        }
        self.items(&select.projection);
        if let Some(condition) = &select.selection {
            self.condition(condition);
        }
        let mut groups = BTreeSet::new();
        match &select.group_by {
            GroupByExpr::Expressions(all, _) => {
                for one in all {
                    if let Expr::Value(_) = one {
                        self.say("groups", one, "name what is grouped by");
                    }
                    self.value(one);
                    groups.insert(one.to_string());
                }
            }
            GroupByExpr::All(_) => self.say("groups", "group by all", "name what is grouped by"),
        }
        if let Some(condition) = &select.having {
            self.condition(condition);
        }
        let items = || select.projection.iter().filter_map(expression);
        if !groups.is_empty() || items().any(is_of_many) {
            for bare in items().filter(|one| has_bare_column(one, &groups)) {
                let instead = "group by it, or take `min` or `max` of it";
                self.say("groups", bare, instead);
            }
        }
    }

    fn items(&mut self, items: &[SelectItem]) {
        for item in items {
            match expression(item) {
                Some(one) => self.value(one),
                None => self.say("forms", item, "name the columns"),
            }
        }
    }

    fn table(&mut self, table: &TableWithJoins, scope: &mut Scope) {
        self.factor(&table.relation, scope);
        for join in &table.joins {
            self.factor(&join.relation, scope);
            match &join.join_operator {
                JoinOperator::Join(JoinConstraint::On(on))
                | JoinOperator::Inner(JoinConstraint::On(on))
                | JoinOperator::Left(JoinConstraint::On(on)) => self.condition(on),
                _ => self.say("joins", join, "write `join … on`"),
            }
        }
    }

    fn factor(&mut self, factor: &TableFactor, scope: &mut Scope) {
        match factor {
            TableFactor::Table {
                name,
                alias,
                args: None,
                ..
            } => {
                let table = self.named(name);
                let here = alias.as_ref().map_or(&table, |alias| &alias.name.value);
                scope.push((here.clone(), table.clone()));
            }
            TableFactor::Derived {
                subquery, alias, ..
            } => {
                if alias.is_none() {
                    self.say(
                        "joins",
                        factor,
                        "give a question in `from` a name: `as counted`",
                    );
                }
                self.query(subquery);
            }
            other => self.say("joins", other, "read tables"),
        }
    }

    /// The name of a table that there is.
    fn named(&mut self, name: &ObjectName) -> String {
        let table = name.to_string();
        if !self.shape.has(&table) && !self.with.contains(&table) {
            self.say("names", name, "the store has no such table");
        }
        table
    }

    fn insert(&mut self, insert: &Insert) {
        match &insert.table {
            TableObject::TableName(name) => {
                self.named(name);
            }
            other => self.say("forms", other, FORM),
        }
        if insert.columns.is_empty() {
            self.say("forms", insert, "name the columns");
        }
        match &insert.source {
            Some(source) => self.query(source),
            None => self.say("forms", insert, FORM),
        }
        match &insert.on {
            None => {}
            Some(OnInsert::OnConflict(conflict)) => {
                match &conflict.conflict_target {
                    None
                    | Some(ConflictTarget::Columns {
                        predicate: None, ..
                    }) => {}
                    Some(other) => self.say("insert or", other, "name the columns of a key"),
                }
                if let OnConflictAction::DoUpdate(update) = &conflict.action {
                    self.assignments(&update.assignments);
                    let values = update.assignments.iter().map(|one| &one.value);
                    for one in values.chain(&update.selection) {
                        for bare in unqualified(one) {
                            let instead = "say whose: `dirty.mark`, or `excluded.mark`";
                            self.say("insert or", bare, instead);
                        }
                    }
                    if let Some(condition) = &update.selection {
                        self.condition(condition);
                    }
                }
            }
            Some(other) => self.say("insert or", other, "write `on conflict (…) do …`"),
        }
        self.items(insert.returning.as_deref().unwrap_or_default());
    }

    fn assignments(&mut self, all: &[Assignment]) {
        all.iter().for_each(|one| self.value(&one.value));
    }

    fn update(&mut self, update: &Update) {
        let mut scope = Scope::new();
        self.table(&update.table, &mut scope);
        self.may_change(&scope, false);
        if update.from.is_some() || !update.order_by.is_empty() || update.limit.is_some() {
            self.say("forms", update, "choose rows by `where id in (select …)`");
        }
        self.assignments(&update.assignments);
        if let Some(condition) = &update.selection {
            self.condition(condition);
        }
        self.items(update.returning.as_deref().unwrap_or_default());
    }

    fn delete(&mut self, delete: &Delete) {
        let mut scope = Scope::new();
        let (FromTable::WithFromKeyword(from) | FromTable::WithoutKeyword(from)) = &delete.from;
        for table in from {
            self.table(table, &mut scope);
        }
        self.may_change(&scope, true);
        if delete.using.is_some() || !delete.order_by.is_empty() || delete.limit.is_some() {
            self.say("forms", delete, "choose rows by `where id in (select …)`");
        }
        if let Some(condition) = &delete.selection {
            self.condition(condition);
        }
        self.items(delete.returning.as_deref().unwrap_or_default());
    }

    fn may_change(&mut self, scope: &Scope, takes_out: bool) {
        for (_, table) in scope {
            if ADDED_ONLY.contains(&table.as_str()) {
                self.say("added only", table, "add a row that says what is so now");
            }
            if takes_out && KEPT.contains(&table.as_str()) {
                self.say("kept", table, "a row that was told of stays; mark it");
            }
        }
    }

    /// What is asked whether it is so.
    fn condition(&mut self, one: &Expr) {
        match one {
            Expr::Nested(inner) => self.condition(inner),
            Expr::UnaryOp {
                op: UnaryOperator::Not,
                expr,
            } => self.condition(expr),
            Expr::BinaryOp {
                left,
                op: BinaryOperator::And | BinaryOperator::Or,
                right,
            } => {
                self.condition(left);
                self.condition(right);
            }
            Expr::BinaryOp { left, right, op } if is_comparison(op) => {
                self.value(left);
                self.value(right);
            }
            Expr::IsNull(inner) | Expr::IsNotNull(inner) => {
                if is_parameter(inner) {
                    let instead = "say its type: `cast(?1 as text) is null`";
                    self.say("types", one, instead);
                }
                self.value(inner);
            }
            Expr::IsDistinctFrom(left, right) | Expr::IsNotDistinctFrom(left, right) => {
                self.value(left);
                self.value(right);
            }
            Expr::In { expr, target, .. } => {
                self.value(expr);
                match target {
                    InTarget::List(all) => all.iter().for_each(|one| self.value(one)),
                    InTarget::Subquery(query) => self.query(query),
                    _ => self.say("forms", one, "name the values, or ask for them"),
                }
            }
            Expr::Between {
                expr, low, high, ..
            } => [expr, low, high]
                .map(|one| self.value(one))
                .into_iter()
                .collect(),
            Expr::Exists { subquery, .. } => self.query(subquery),
            other => {
                self.say("truth", other, "compare it: `flagged = 1`");
                self.value(other);
            }
        }
    }

    /// What stands for a number, a text or bytes.
    fn value(&mut self, one: &Expr) {
        match one {
            Expr::Identifier(_) | Expr::CompoundIdentifier(_) => {}
            Expr::Value(value) => match &value.value {
                Value::Number(..)
                | Value::SingleQuotedString(_)
                | Value::Null
                | Value::Placeholder(_) => {}
                other => self.say("literals", other, "give it as a value"),
            },
            Expr::Nested(inner) => self.value(inner),
            Expr::Tuple(all) => all.iter().for_each(|one| self.value(one)),
            Expr::UnaryOp {
                op: UnaryOperator::Plus | UnaryOperator::Minus,
                expr,
            } => self.value(expr),
            Expr::BinaryOp {
                left,
                op:
                    BinaryOperator::Plus
                    | BinaryOperator::Minus
                    | BinaryOperator::Multiply
                    | BinaryOperator::Modulo,
                right,
            } => {
                self.value(left);
                self.value(right);
            }
            Expr::BinaryOp {
                left,
                op: BinaryOperator::StringConcat,
                right,
            } => {
                for side in [left, right] {
                    if matches!(&**side, Expr::Value(value) if matches!(value.value, Value::Number(..)))
                    {
                        self.say("types", one, "put texts together, not numbers");
                    }
                    self.value(side);
                }
            }
            Expr::Cast {
                kind: CastKind::Cast,
                expr,
                data_type: DataType::BigInt(None) | DataType::Text,
                format: None,
            } => match &**expr {
                Expr::Function(function) if function.name.to_string() == "sum" => {
                    self.arguments(function);
                }
                inner => self.value(inner),
            },
            Expr::Cast { .. } => self.say("types", one, "cast to `bigint` or `text`"),
            Expr::Function(function) => {
                if function.name.to_string() == "sum" {
                    let instead = "a sum is a decimal elsewhere: `cast(sum(…) as bigint)`";
                    self.say("types", one, instead);
                }
                self.arguments(function);
            }
            Expr::Case {
                operand,
                conditions,
                else_result,
                ..
            } => {
                if let Some(operand) = operand {
                    self.say("forms", operand, "write `case when … = … then …`");
                }
                for when in conditions {
                    self.condition(&when.condition);
                    self.value(&when.result);
                }
                if let Some(one) = else_result {
                    self.value(one);
                }
            }
            Expr::Subquery(query) => self.query(query),
            other if is_truth(other) => {
                self.say("truth", other, CASE);
                self.condition(other);
            }
            other => self.say("forms", other, FORM),
        }
    }

    fn arguments(&mut self, function: &Function) {
        let name = function.name.to_string();
        if !FUNCTIONS.contains(&name.as_str()) {
            let instead = "only coalesce, count, max, min and sum mean the same everywhere";
            return self.say("functions", function, instead);
        }
        let FunctionArguments::List(list) = &function.args else {
            return self.say("functions", function, FORM);
        };
        let mut number = 0;
        for one in &list.args {
            number += 1;
            match one {
                FunctionArg::Unnamed(FunctionArgExpr::Expr(one)) => self.value(one),
                FunctionArg::Unnamed(FunctionArgExpr::Wildcard) if name == "count" => {}
                other => self.say("functions", other, FORM),
            }
        }
        if OF_MANY.contains(&name.as_str()) && number != 1 {
            let instead = "of two values: `case when a > b then a else b end`";
            self.say("functions", function, instead);
        }
    }

    /// Whether rows can be put in order by a column that is empty in some.
    fn may_be_null(&self, one: &Expr, scope: &Scope) -> bool {
        let (place, column) = match one {
            Expr::Identifier(column) => (None, column),
            Expr::CompoundIdentifier(parts) => match parts.as_slice() {
                [place, column] => (Some(&place.value), column),
                _ => return false,
            },
            _ => return false,
        };
        let mut tables = scope
            .iter()
            .filter(|(here, _)| place.is_none_or(|place| place == here));
        tables.any(|(_, table)| self.shape.may_be_null(table, &column.value) == Some(true))
    }
}

/// Columns that a condition leaves out where they are empty, as they are written.
fn filled(condition: Option<&Expr>) -> BTreeSet<String> {
    match condition {
        Some(Expr::BinaryOp {
            left,
            op: BinaryOperator::And,
            right,
        }) => &filled(Some(left)) | &filled(Some(right)),
        Some(Expr::BinaryOp { left, op, right }) if is_comparison(op) => {
            [left.to_string(), right.to_string()].into()
        }
        Some(Expr::IsNotNull(one)) => [one.to_string()].into(),
        Some(Expr::Nested(inner)) => filled(Some(inner)),
        _ => BTreeSet::new(),
    }
}

fn expression(item: &SelectItem) -> Option<&Expr> {
    match item {
        SelectItem::UnnamedExpr(one) | SelectItem::ExprWithAlias { expr: one, .. } => Some(one),
        _ => None,
    }
}

fn is_comparison(op: &BinaryOperator) -> bool {
    use BinaryOperator::{Eq, Gt, GtEq, Lt, LtEq, NotEq};
    matches!(op, Eq | NotEq | Lt | LtEq | Gt | GtEq)
}

fn is_parameter(one: &Expr) -> bool {
    matches!(one, Expr::Value(value) if matches!(value.value, Value::Placeholder(_)))
}

fn is_truth(one: &Expr) -> bool {
    match one {
        Expr::BinaryOp { op, .. } => {
            is_comparison(op) || matches!(op, BinaryOperator::And | BinaryOperator::Or)
        }
        Expr::UnaryOp { op, .. } => *op == UnaryOperator::Not,
        Expr::IsNull(_)
        | Expr::IsNotNull(_)
        | Expr::IsDistinctFrom(..)
        | Expr::IsNotDistinctFrom(..)
        | Expr::In { .. }
        | Expr::Between { .. }
        | Expr::Exists { .. } => true,
        _ => false,
    }
}

/// The parts that a value is made of; questions inside it are not among them.
fn parts(one: &Expr) -> Vec<&Expr> {
    match one {
        Expr::Nested(inner)
        | Expr::UnaryOp { expr: inner, .. }
        | Expr::Cast { expr: inner, .. }
        | Expr::IsNull(inner)
        | Expr::IsNotNull(inner)
        | Expr::In { expr: inner, .. } => vec![inner],
        Expr::BinaryOp { left, right, .. }
        | Expr::IsDistinctFrom(left, right)
        | Expr::IsNotDistinctFrom(left, right) => vec![left, right],
        Expr::Between {
            expr, low, high, ..
        } => vec![expr, low, high],
        Expr::Tuple(all) => all.iter().collect(),
        Expr::Case {
            conditions,
            else_result,
            ..
        } => {
            let whens = conditions
                .iter()
                .flat_map(|one| [&one.condition, &one.result]);
            whens.chain(else_result.as_deref()).collect()
        }
        Expr::Function(function) => match &function.args {
            FunctionArguments::List(list) => {
                let args = list.args.iter().filter_map(|one| match one {
                    FunctionArg::Unnamed(FunctionArgExpr::Expr(one)) => Some(one),
                    _ => None,
                });
                args.collect()
            }
            _ => Vec::new(),
        },
        _ => Vec::new(),
    }
}

fn makes_one_of_many(one: &Expr) -> bool {
    matches!(one, Expr::Function(function) if OF_MANY.contains(&function.name.to_string().as_str()))
}

fn is_of_many(one: &Expr) -> bool {
    makes_one_of_many(one) || parts(one).into_iter().any(is_of_many)
}

/// Whether a column stands in it that is neither grouped by nor made one of many.
fn has_bare_column(one: &Expr, groups: &BTreeSet<String>) -> bool {
    if makes_one_of_many(one) || groups.contains(&one.to_string()) {
        return false;
    }
    matches!(one, Expr::Identifier(_) | Expr::CompoundIdentifier(_))
        || parts(one)
            .into_iter()
            .any(|part| has_bare_column(part, groups))
}

/// Columns without the name of their table.
fn unqualified(one: &Expr) -> Vec<String> {
    match one {
        Expr::Identifier(column) => vec![column.value.clone()],
        other => parts(other).into_iter().flat_map(unqualified).collect(),
    }
}
