# Every residual structure, with and without patient effects, ML and REML: nlme finds the optimum, dense_model.R
# polishes it and adds Satterthwaite and Kenward-Roger. Reads structures.csv, writes
# structure-values-DATA.csv and, case by case, the R call that found the optimum: structure-calls.csv.
# An argument is a pattern: only the cases whose name matches are run, the others are kept.
suppressMessages(library(nlme))
source("dense_model.R")
C <- function(x) factor(x)  # so that one formula serves R and Python

load_data <- function(name) {
  if (name == "orthodont") { d <- as.data.frame(nlme::Orthodont); d$Subject <- as.character(d$Subject); d$Sex <- factor(d$Sex, c("Male", "Female")); d$week <- d$age }
  else { d <- read.csv(paste0(name, "-visits.csv")); d$protocol <- factor(d$protocol) }
  d$visit <- as.integer(factor(d$week))
  d
}
correlation_call <- function(residual, patient, m) {
  by <- function(time) as.formula(paste("~", time, "|", patient))
  switch(residual,
    "independent" = NULL, "by-week" = NULL,
    "compound-symmetry" = corCompSymm(form = by("visit")),
    "ar1" = , "ar1-by-week" = corAR1(form = by("visit")),
    "exponential" = corExp(value = 6, form = by("week")),
    "toeplitz" = corARMA(form = by("visit"), p = m - 1, q = 0),
    "unstructured" = corSymm(form = by("visit")))
}
describe <- function(case, fit_name, m) {
  correlation <- switch(case$residual, "compound-symmetry" = "corCompSymm(form=~visit|P)", "ar1" = , "ar1-by-week" = "corAR1(form=~visit|P)",
    "exponential" = "corExp(form=~week|P)", "toeplitz" = sprintf("corARMA(form=~visit|P; p=%d; q=0)", m - 1),
    "unstructured" = "corSymm(form=~visit|P)", "")
  weights <- if (case$residual %in% c("by-week", "ar1-by-week", "unstructured")) "varIdent(form=~1|week)" else ""
  random <- if (case$patient_effects == "none") "" else sprintf("random=~%s|P", case$patient_effects)
  sprintf("%s(%s; %s)", fit_name, case$fixed, paste(Filter(nzchar, c(random, correlation, weights, toupper(case$method))), collapse = "; "))
}
fit_nlme <- function(case, d, m) {
  fixed <- as.formula(case$fixed)
  weights <- if (case$residual %in% c("by-week", "ar1-by-week", "unstructured")) varIdent(form = ~ 1 | visit)
  correlation <- correlation_call(case$residual, case$patient, m)
  if (case$patient_effects == "none")
    return(do.call(gls, list(fixed, d, correlation = correlation, weights = weights, method = toupper(case$method),
      control = glsControl(tolerance = 1e-10, msTol = 1e-12, maxIter = 500, msMaxIter = 1000, returnObject = TRUE))))
  random <- as.formula(paste("~", case$patient_effects, "|", case$patient))
  do.call(lme, list(fixed, d, random = random, correlation = correlation, weights = weights, method = toupper(case$method),
    control = lmeControl(tolerance = 1e-10, msTol = 1e-12, maxIter = 500, msMaxIter = 1000, niterEM = 50, returnObject = TRUE, opt = "nlminb")))
}
natural_start <- function(case, fit, m) {
  structure <- fit$modelStruct
  ratio <- rep(1, m)
  if (!is.null(structure$varStruct)) {
    all <- coef(structure$varStruct, unconstrained = FALSE, allCoef = TRUE); ratio <- unname(all[as.character(seq_len(m))])
  }
  variance <- (fit$sigma * ratio)^2
  r <- if (!is.null(structure$corStruct)) unname(coef(structure$corStruct, unconstrained = FALSE))
  own <- switch(case$residual,
    "independent" = variance[1], "by-week" = variance,
    "compound-symmetry" = c(variance[1] * (1 - r), variance[1] * r),
    "ar1" = c(variance[1], r), "ar1-by-week" = c(variance, r), "exponential" = c(variance[1], r),
    "toeplitz" = variance[1] * ARMAacf(ar = r, lag.max = m - 1),
    "unstructured" = { S <- diag(m); S[lower.tri(S)] <- r; S <- S + t(S) - diag(m); S <- S * sqrt(outer(variance, variance)); S[lower.tri(S, TRUE)] })
  if (case$patient_effects == "none") return(unname(own))
  D <- getVarCov(fit); c(D[lower.tri(D, TRUE)], unname(own))
}

cases <- read.csv("structures.csv", colClasses = "character")
chosen <- commandArgs(TRUE)
if (length(chosen)) cases <- cases[grepl(chosen[1], cases$case), ]
out <- list()
calls <- list()
note <- function(case, quantity, term, value)
  out[[length(out) + 1]] <<- data.frame(case = case, quantity = quantity, term = term, value = value)
for (row in seq_len(nrow(cases))) {
  case <- as.list(cases[row, ]); d <- load_data(case$data)
  weeks <- sort(unique(d$week)); m <- length(weeks); reml <- case$method == "reml"
  fit <- fit_nlme(case, d, m)
  call <- describe(case, class(fit)[1], m)
  X <- model.matrix(as.formula(case$fixed), d); y <- d[[all.vars(as.formula(case$fixed))[1]]]
  data <- lapply(split(seq_len(nrow(d)), d[[case$patient]]), function(i) list(X = X[i, , drop = FALSE], y = y[i], at = d$visit[i]))
  Z <- switch(case$patient_effects, "none" = NULL, "1" = matrix(1, m, 1), cbind(1, weeks))
  covariance <- function(theta) schedule_covariance(theta, case$residual, weeks, Z)
  start <- natural_start(case, fit, m)
  V0 <- covariance(start); scale <- pmax(abs(start), 1e-2 * max(abs(start)))
  if (case$residual %in% c("unstructured", "toeplitz")) scale <- rep(mean(diag(V0)), length(start))
  if (!is.null(Z)) {  # a covariance of patient effects is measured in their two standard deviations
    D <- getVarCov(fit); size <- sqrt(outer(diag(D), diag(D))); inner <- sum(lower.tri(D, TRUE))
    scale <- c(size[lower.tri(D, TRUE)], pmax(abs(start[-(1:inner)]), 1e-2 * max(abs(start[-(1:inner)]))))
  }
  best <- polish(start, data, covariance, reml, scale)
  from_nlme <- -2 * as.numeric(logLik(fit))
  if (from_nlme - best$value > 1e-5 || from_nlme - best$value < -1e-6)
    cat(case$case, ": nlme stops at", format(from_nlme, digits = 12), "the optimum is", format(best$value, digits = 12), "\n")
  calls[[row]] <- data.frame(case = case$case, call = call)
  note(case$case, "criterion", "", best$value)
  note(case$case, "criterion nlme", "", from_nlme)
  inf <- inference(best$theta, data, covariance, reml, best$scale)
  names <- colnames(X)
  note(case$case, "estimate", names, inf$beta)
  note(case$case, "std_error", names, sqrt(diag(inf$Phi)))
  note(case$case, "std_error robust", names, sqrt(diag(inf$sandwich)))
  V <- covariance(best$theta)
  index <- which(lower.tri(V, TRUE), arr.ind = TRUE)
  note(case$case, "covariance", paste(weeks[index[, 2]], weeks[index[, 1]]), V[index])
  if (reml) {
    interaction <- grep(":", names); L <- diag(length(names))[interaction, , drop = FALSE]
    for (information in c("expected", "observed")) {
      W <- inf[[information]]
      df <- vapply(seq_along(names), function(j) unname(satterthwaite(diag(length(names))[j, ], inf, W)["df"]), 0)
      note(case$case, paste("df satterthwaite", information), names, df)
      if (nrow(L)) note(case$case, paste("interaction satterthwaite", information), c("statistic", "df"), satterthwaite(L, inf, W))
      for (second in c(TRUE, FALSE)) {
        kind <- if (second) "kenward-roger" else "kenward-roger-linear"
        adjusted <- inf$adjusted(W, second)
        note(case$case, paste("std_error", kind, information), names, sqrt(diag(adjusted)))
        if (nrow(L)) note(case$case, paste("interaction", kind, information), c("statistic", "df"), kenward_roger(L, inf, W, adjusted))
        if (second) { df <- vapply(seq_along(names), function(j) unname(kenward_roger(diag(length(names))[j, ], inf, W, adjusted)["df"]), 0)
        note(case$case, paste("df", kind, information), names, df) }
      }
    }
  }
  cat(case$case, format(best$value, digits = 12), "gradient", format(best$gradient, digits = 2), "\n")
}
out <- do.call(rbind, out)
out$value <- formatC(out$value, digits = 12, format = "g")
update <- function(new, file) {  # the cases run are replaced, the others are kept
  if (file.exists(file)) { old <- read.csv(file, colClasses = "character"); new <- rbind(old[!old$case %in% new$case, ], new) }
  write.csv(new, file, row.names = FALSE, quote = FALSE)
}
data_of <- setNames(cases$data, cases$case)[out$case]
for (name in unique(data_of)) update(out[data_of == name, ], paste0("structure-values-", name, ".csv"))
update(do.call(rbind, calls), "structure-calls.csv")
