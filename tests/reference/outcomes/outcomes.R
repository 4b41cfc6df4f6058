# Reference values of test_outcomes_in_r.py: Rscript outcomes.R > values.csv
# R 4.2.2, base packages only; about two minutes, for the 20,000 fillings. No code is shared with the kit.
d <- read.csv("patients.csv", colClasses = c(harms = "character"))
d$protocol <- factor(d$protocol, levels = c("usual", "early", "late"))
gain <- d$week12 - d$week0
response <- as.numeric(gain >= 14)
put <- function(quantity, value) cat(sprintf("%s,%.10g\n", quantity, value), sep = "")
cat("quantity,value\n")

# responders of those seen, and Welch's t
for (p in levels(d$protocol)) {
  one <- response[d$protocol == p & !is.na(response)]
  limits <- suppressWarnings(prop.test(sum(one), length(one), correct = FALSE))$conf.int
  put(paste("share", p, c("lower", "upper")), limits)
}
welch <- t.test(gain[d$protocol == "early"], gain[d$protocol == "usual"])
put(paste("welch early", c("estimate", "std_error", "df", "lower")),
    c(-diff(welch$estimate), welch$stderr, welch$parameter, welch$conf.int[1]))

# standardised shares: glm, and the sandwich of the stacked equations with numerical derivatives, times n / (n - p)
e <- data.frame(response, protocol = d$protocol, start = d$week0, site = d$site)
e <- e[complete.cases(e), ]
f <- glm(response ~ protocol + start + site, binomial, e, control = glm.control(1e-14, 100))
X <- model.matrix(f)
under <- lapply(levels(e$protocol), function(p) {
  all <- e; all$protocol <- factor(p, levels = levels(e$protocol))
  model.matrix(delete.response(terms(f)), all, xlev = f$xlevels)
})
k <- ncol(X)
equations <- function(t) cbind(X * as.vector(e$response - plogis(X %*% t[1:k])),
                               sapply(1:3, function(m) plogis(under[[m]] %*% t[1:k]) - t[k + m]))
t <- c(coef(f), sapply(under, function(x) mean(plogis(x %*% coef(f)))))
slope <- sapply(seq_along(t), function(j) {
  h <- replace(0 * t, j, 1e-6); (colMeans(equations(t + h)) - colMeans(equations(t - h))) / 2e-6
})
V <- solve(slope, t(solve(slope, crossprod(equations(t)) / nrow(e)))) / (nrow(e) - k)
put(paste("standardised", levels(e$protocol)), t[k + 1:3])
put(paste("standardised", levels(e$protocol), "std_error"), sqrt(diag(V))[k + 1:3])
put("standardised early std_error of the difference", sqrt(V[k + 2, k + 2] + V[k + 1, k + 1] - 2 * V[k + 2, k + 1]))

# home sessions: 5 prescribed in weeks 2, 4, ... 12, those not written down left out
weeks <- seq(2, 12, 2)
done <- as.matrix(d[paste0("done", weeks)])
exposure <- function(rows, from, to) mapply(function(i, a, b) {
  x <- done[i, weeks >= a & weeks < b]; x <- x[!is.na(x)]; if (length(x)) sum(x) / (5 * length(x)) else NA
}, rows, from, to)
all <- exposure(seq_len(nrow(d)), 1, 13)
hc3 <- function(f) {
  X <- model.matrix(f); B <- solve(crossprod(X))
  sqrt(diag(B %*% crossprod(X * resid(f) / (1 - hatvalues(f))) %*% B))
}
f <- lm(gain ~ all + protocol + week0 + site, d)
put(paste("adjusted slope", c("estimate", "std_error", "df")), c(coef(f)[2], hc3(f)[2], f$df.residual))
pairs <- rbind(data.frame(row = seq_len(nrow(d)), w0 = 0, w1 = 6, value = d$week0, step = d$week6 - d$week0),
               data.frame(row = seq_len(nrow(d)), w0 = 6, w1 = 12, value = d$week6, step = d$week12 - d$week6))
pairs$protocol <- d$protocol[pairs$row]
pairs$after <- exposure(pairs$row, pairs$w1 + 1, pairs$w1 + 5) # from a visit on: the week it opens and the three after
pairs$before <- exposure(pairs$row, pairs$w0 - 3, pairs$w0 + 1)
clustered <- function(formula, data, name) {
  f <- lm(formula, data); X <- model.matrix(f); row <- data$row; G <- length(unique(row))
  B <- solve(crossprod(X)); u <- rowsum(X * resid(f), row)
  V <- B %*% crossprod(u) %*% B * G / (G - 1) * (nrow(X) - 1) / (nrow(X) - ncol(X))
  put(paste(name, c("estimate", "std_error", "df")), c(coef(f)[2], sqrt(V[2, 2]), G - 1))
}
clustered(step ~ before + protocol + value, pairs[complete.cases(pairs[c("step", "before")]), ], "lagged slope")
clustered(after ~ step + protocol + value, pairs[complete.cases(pairs[c("step", "after")]), ], "reversed slope")

# effect by allocation, early against usual: two stages with HC1, and the ends of the Anderson-Rubin set by root finding
e <- data.frame(gain, all, z = as.numeric(d$protocol == "early"), start = d$week0)[d$protocol != "late", ]
e <- e[complete.cases(e), ]; n <- nrow(e)
Z <- cbind(fitted(lm(all ~ z + start, e)), 1, e$start)
b <- solve(crossprod(Z), crossprod(Z, e$gain)); u <- as.vector(e$gain - cbind(e$all, 1, e$start) %*% b)
V <- solve(crossprod(Z)) %*% crossprod(Z * u) %*% solve(crossprod(Z)) * n / (n - 3)
put(paste("effect", c("estimate", "std_error")), c(b[1], sqrt(V[1, 1])))
squared <- function(effect) {
  f <- lm(I(gain - effect * all) ~ z + start, e); X <- model.matrix(f); B <- solve(crossprod(X))
  coef(f)[2]^2 / (B %*% crossprod(X * resid(f)) %*% B * n / (n - 3))[2, 2]
}
grid <- sinh(seq(-9, 9, length.out = 4000)); inside <- sapply(grid, squared) - qt(0.975, n - 3)^2
ends <- which(diff(sign(inside)) != 0)
put(paste("anderson-rubin", seq_along(ends)), sapply(ends, function(i) uniroot(
  function(x) squared(x) - qt(0.975, n - 3)^2, grid[i + 0:1], tol = 1e-12)$root))

# harms in weeks with an entry of sessions, per 100 patient-weeks: exact Poisson limits
for (p in levels(d$protocol)) {
  rows <- which(d$protocol == p)
  entries <- sum(!is.na(done[rows, ]))
  harms <- do.call(rbind, lapply(rows, function(i) {
    w <- floor(as.numeric(strsplit(d$harms[i], " ")[[1]])) + 1
    if (length(w)) data.frame(i, w)
  }))
  count <- sum(mapply(function(i, w) w %in% weeks && !is.na(done[i, match(w, weeks)]), harms$i, harms$w))
  put(paste("harms", p, c("events", "lower", "upper")), c(count, poisson.test(count, entries / 100)$conf.int))
}

# week 12 with missing visits filled, 20,000 times: regressions of each week on those before, drawn from their posterior;
# then least squares on protocol and start. Early against usual.
set.seed(1)
M <- 20000; Y <- as.matrix(d[c("week0", "week6", "week12")]); P <- model.matrix(~ d$protocol)[, -1]
arm <- as.integer(d$protocol); last <- rowSums(!is.na(Y)); A <- cbind(1, P, Y[, 1])
found <- array(NA, c(M, 4, 2))
for (m in 1:M) {
  mu <- matrix(0, 3, 3); S <- matrix(0, 3, 3)
  for (j in 1:3) {
    r <- !is.na(Y[, j]); X <- cbind(1, P, Y[, seq_len(j - 1)])[r, , drop = FALSE]
    q <- qr(X); b <- qr.coef(q, Y[r, j]); s2 <- sum(qr.resid(q, Y[r, j])^2) / rchisq(1, sum(r) - ncol(X))
    b <- b + backsolve(qr.R(q), rnorm(ncol(X))) * sqrt(s2); i <- seq_len(j - 1); g <- b[-(1:3)]
    mu[, j] <- b[1] + c(0, b[2:3]) + if (j > 1) mu[, i, drop = FALSE] %*% g else 0
    if (j > 1) S[i, j] <- S[j, i] <- S[i, i, drop = FALSE] %*% g
    S[j, j] <- s2 + if (j > 1) sum(g * S[i, j]) else 0
  }
  for (t in 1:4) {
    Z <- Y
    for (l in 1:2) for (a in 1:3) {
      w <- which(last == l & arm == a); if (!length(w)) next
      i <- 1:l; h <- (l + 1):3; mean <- mu[a, ]
      if (t == 2) mean[h] <- mu[1, h]
      if (t == 3) mean[2:3] <- mu[1, 2:3]
      if (t == 4) mean[h] <- mu[a, l] + mu[1, h] - mu[1, l]
      C <- S[h, i, drop = FALSE] %*% solve(S[i, i]); root <- chol(S[h, h] - C %*% S[i, h, drop = FALSE])
      Z[w, h] <- t(mean[h] + C %*% (t(Y[w, i, drop = FALSE]) - mean[i])) +
        matrix(rnorm(length(w) * length(h)), length(w)) %*% root
    }
    f <- .lm.fit(A, Z[, 3])
    found[m, t, ] <- c(f$coef[2], solve(crossprod(A))[2, 2] * sum(f$residuals^2) / (nrow(A) - ncol(A)))
  }
}
for (t in 1:4) {
  name <- c("missing at random", "jump to reference", "copy reference", "copy increments in reference")[t]
  put(paste(name, c("estimate", "std_error", "spread")),
      c(mean(found[, t, 1]), sqrt(mean(found[, t, 2]) + var(found[, t, 1])), sd(found[, t, 1])))
}
