# Patient effects with independent residuals: lme4, lmerTest (Satterthwaite), pbkrtest (Kenward-Roger, which uses the
# expected information) and emmeans (means and differences). Reads lme4-cases.csv, writes lme4-values.csv.
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest); library(emmeans)})
C <- function(x) factor(x)  # so that one formula serves R and Python
emm_options(lmerTest.limit = 1e6, pbkrtest.limit = 1e6)

load_data <- function(name) {
  d <- switch(name,
    "sleepstudy" = lme4::sleepstudy,
    "orthodont" = { o <- as.data.frame(nlme::Orthodont); o$Subject <- as.character(o$Subject); o$Sex <- factor(o$Sex, c("Male", "Female")); o },
    "orthodont-unbalanced" = { o <- read.csv("orthodont-unbalanced.csv"); o$Sex <- factor(o$Sex, c("Male", "Female")); o },
    "singular" = read.csv("singular.csv"),
    "dietox" = { data(dietox, package = "geepack", envir = environment()); dietox },
    "bodyweight" = { b <- as.data.frame(nlme::BodyWeight); b$Rat <- as.character(b$Rat); b$Diet <- factor(b$Diet); b },
    "oxboys" = { o <- as.data.frame(nlme::Oxboys); o$Subject <- as.character(o$Subject); o },
    "depression-2358" = depression(c(2, 3, 5, 8)), "depression-2468" = depression(c(2, 4, 6, 8)),
    "beets" = { b <- read.csv("beets.csv", stringsAsFactors = TRUE); b$plot <- interaction(b$block, b$harvest); b },
    "knee" = read.csv("knee-visits.csv", stringsAsFactors = TRUE))
  as.data.frame(d)
}
depression <- function(weeks) {  # Beat the Blues, HSAUR: four visits side by side, made long
  if (!file.exists("beat-the-blues.csv")) stop("write beat-the-blues.csv first (see README)")
  wide <- read.csv("beat-the-blues.csv", stringsAsFactors = TRUE)
  long <- do.call(rbind, lapply(1:4, function(k) data.frame(patient = seq_len(nrow(wide)), pre = wide$bdi.pre, time = weeks[k],
    treatment = factor(wide$treatment, c("TAU", "BtheB")), drug = wide$drug, length = wide$length, bdi = wide[[4 + k]])))
  long[!is.na(long$bdi), ]
}
# Tight optimum: lme4's own optimiser, then nlminb, then Newton steps on lme4's own deviance.
tight <- function(fn, par, lower, upper, control) {
  rough <- lme4::nloptwrap(par, fn, lower, upper, control = list(xtol_abs = 1e-9, ftol_abs = 1e-9))
  best <- nlminb(rough$par, fn, lower = lower, upper = upper, control = list(rel.tol = 1e-15, x.tol = 1e-13, eval.max = 10000, iter.max = 5000))
  free <- !(is.finite(lower) & best$par - lower < 1e-6)  # a standard deviation at zero stays there
  best$par[!free] <- lower[!free]
  for (k in 1:6) {
    size <- pmax(abs(best$par[free]), 0.05)  # numDeriv takes steps in proportion to its argument: around one
    inner <- function(x) { all <- best$par; all[free] <- all[free] + (x - 1) * size; fn(all) }
    one <- rep(1, sum(free))
    step <- tryCatch(-size * solve(numDeriv::hessian(inner, one), numDeriv::grad(inner, one)), error = function(e) 0)
    try <- best$par; try[free] <- try[free] + step
    if (any(try < lower) || fn(try) > best$objective + 1e-9) break
    best$par <- try; best$objective <- fn(try); if (max(abs(step)) < 1e-10) break
  }
  fn(best$par)
  list(par = best$par, fval = best$objective, feval = 0, conv = 0, message = "")
}
out <- list()
calls <- list()
note <- function(case, quantity, term, value)
  out[[length(out) + 1]] <<- data.frame(case = case, quantity = quantity, term = term, value = as.numeric(value))

cases <- read.csv("lme4-cases.csv", colClasses = "character")
fits <- list()
for (row in seq_len(nrow(cases))) {
  case <- as.list(cases[row, ]); d <- load_data(case$data); name <- case$case; reml <- case$method == "reml"
  effects <- if (case$correlated == "yes") sprintf("(%s | %s)", case$patient_effects, case$patient) else
    sprintf("(%s || %s)", case$patient_effects, case$patient)
  formula <- as.formula(paste(case$fixed, "+", effects))
  calls[[row]] <- data.frame(case = name, call = sprintf("lmer(%s + %s, REML=%s)", case$fixed, effects, reml))
  fit <- suppressWarnings(suppressMessages(do.call(lmerTest::lmer, list(formula, d, REML = reml,
    control = lmerControl(optimizer = tight, calc.derivs = FALSE, check.conv.singular = "ignore")))))
  fits[[name]] <- fit
  terms <- names(fixef(fit))
  note(name, "criterion", "", -2 * as.numeric(logLik(fit)))
  note(name, "aic", "", AIC(fit))
  note(name, "estimate", terms, fixef(fit))
  note(name, "std_error", terms, sqrt(diag(as.matrix(vcov(fit)))))
  D <- as.matrix(Matrix::bdiag(lapply(VarCorr(fit), function(v) matrix(v, nrow(v)))))
  effect_names <- unlist(lapply(VarCorr(fit), rownames))
  index <- which(lower.tri(D, TRUE), arr.ind = TRUE)
  if (case$correlated == "no") index <- index[index[, 1] == index[, 2], , drop = FALSE]
  note(name, "patient covariance", paste(effect_names[index[, 2]], effect_names[index[, 1]], sep = " | "), D[index])
  note(name, "residual variance", "", sigma(fit)^2)
  singular <- isSingular(fit, tol = 1e-5)
  if (!singular) {
    modes <- ranef(fit, condVar = TRUE)
    if (case$correlated == "yes") {
      chosen <- sort(rownames(modes[[1]]))[1:3]
      at <- match(chosen, rownames(modes[[1]]))
      sd <- t(sqrt(apply(attr(modes[[1]], "postVar"), 3, diag))); if (ncol(modes[[1]]) == 1) sd <- t(sd)
      for (e in seq_along(effect_names)) {
        note(name, "patient effect", paste(chosen, effect_names[e], sep = " | "), modes[[1]][chosen, e])
        note(name, "patient effect sd", paste(chosen, effect_names[e], sep = " | "), sd[at, e])
      }
    }
    note(name, "fitted", as.character(1:3), fitted(fit)[1:3])
  }
  if (reml && !singular) {
    s <- coef(summary(fit, ddf = "Satterthwaite"))
    note(name, "df satterthwaite", terms, s[, "df"])
    joint <- diag(length(terms))[-1, , drop = FALSE]
    test <- contestMD(fit, joint, ddf = "Satterthwaite")
    note(name, "joint satterthwaite", c("statistic", "df"), c(test[["F value"]], test$DenDF))
    note(name, "std_error kenward-roger", terms, sqrt(diag(as.matrix(vcovAdj(fit)))))
    note(name, "df kenward-roger", terms, vapply(seq_along(terms), function(j) get_Lb_ddf(fit, diag(length(terms))[j, ]), 0))
    test <- KRmodcomp(fit, joint)
    note(name, "joint kenward-roger", c("statistic", "df"), c(test$stats$Fstat, test$stats$ddf))
  }
  cat(name, format(-2 * as.numeric(logLik(fit)), digits = 13), if (singular) "singular", "\n")
}

grids <- list("orthodont visits reml" = c("Sex", "age"), "knee intercept reml" = c("protocol", "week"),
              "knee slope reml" = c("protocol", "week"), "knee line reml" = c("protocol", "week"))
for (name in names(grids)) for (mode in c("kenward-roger", "satterthwaite")) {
  by <- grids[[name]]; d <- load_data(cases$data[cases$case == name])
  at <- setNames(list(sort(unique(d[[by[2]]]))), by[2])
  means <- emmeans(fits[[name]], by[1], by = by[2], lmer.df = mode, at = at)
  m <- as.data.frame(confint(means))
  label <- paste(m[[by[1]]], m[[by[2]]])
  for (q in c("emmean", "SE", "df", "lower.CL", "upper.CL"))
    note(name, paste("mean", mode, q), label, m[[q]])
  k <- as.data.frame(summary(contrast(means, "trt.vs.ctrl1"), infer = c(TRUE, TRUE), adjust = "none"))
  label <- paste(sub(" - .*", "", k$contrast), k[[by[2]]])
  for (q in c("estimate", "SE", "df", "t.ratio", "p.value", "lower.CL", "upper.CL"))
    note(name, paste("difference", mode, q), label, k[[q]])
  for (adjust in c("holm", "bonferroni"))
    note(name, paste("difference", mode, "p", adjust), label, p.adjust(k$p.value, adjust))
  note(name, paste("difference", mode, "p sidak"), label, 1 - (1 - k$p.value)^nrow(k))
}
for (term in c("Sex", "C(age)", "Sex:C(age)")) {
  a <- anova(fits[["orthodont visits reml"]], type = 3, ddf = "Kenward-Roger")
  note("orthodont visits reml", "type 3 kenward-roger", paste(term, c("statistic", "df")), c(a[term, "F value"], a[term, "DenDF"]))
}
small <- KRmodcomp(fits[["beets reml"]], matrix(as.numeric(names(fixef(fits[["beets reml"]])) == "harvestharv2"), 1))
note("beets reml", "harvest kenward-roger", c("statistic", "df"), c(small$stats$Fstat, small$stats$ddf))
compare <- function(name, small, large) {  # mixture: Verbeke & Molenberghs 2000, section 6.3.4
  a <- suppressMessages(anova(fits[[small]], fits[[large]], refit = FALSE))
  note(name, "likelihood ratio", c("statistic", "parameters", "p chi-square"), c(a$Chisq[2], a$Df[2], a[2, "Pr(>Chisq)"]))
  x <- a$Chisq[2]; q <- a$Df[2]
  note(name, "likelihood ratio", "p mixture", if (q == 0) NA else 0.5 * pchisq(x, q - 1, lower.tail = FALSE) + 0.5 * pchisq(x, q, lower.tail = FALSE))
}
compare("sleepstudy slope ml", "sleepstudy intercept ml", "sleepstudy ml")
compare("sleepstudy slope reml", "sleepstudy intercept reml", "sleepstudy reml")
compare("knee slope", "knee intercept reml", "knee slope reml")
d <- load_data("knee")
additive <- lme4::lmer(value ~ protocol + C(week) + baseline + age + (1 + week | patient), d, REML = FALSE, control = lmerControl(optimizer = tight, calc.derivs = FALSE))
statistic <- as.numeric(2 * (logLik(fits[["knee slope ml"]]) - logLik(additive)))
note("knee interaction ml", "likelihood ratio", c("statistic", "parameters", "p chi-square"),
     c(statistic, 8, pchisq(statistic, 8, lower.tail = FALSE)))
out <- do.call(rbind, out)
out$value <- formatC(out$value, digits = 12, format = "g")
write.csv(out, "lme4-values.csv", row.names = FALSE, quote = FALSE)
write.csv(do.call(rbind, calls), "lme4-calls.csv", row.names = FALSE, quote = FALSE)
